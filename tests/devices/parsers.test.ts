/** Parsers of what kernel and configuration files say: published examples, and anything at all. */
import { execaSync } from 'execa';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { decodeUdev } from '../../src/devices/linux/decode-udev.ts';
import { parseKernelDevices, splitKernelParameters } from '../../src/devices/linux/kernel-parameters.ts';
import { unescapeOctal } from '../../src/devices/linux/octal-escapes.ts';
import { overlayLayers } from '../../src/devices/linux/overlay-layers.ts';
import { parseBlkidPairs, signaturesOf } from '../../src/devices/linux/parse-blkid.ts';
import { parseCrypttab, parseFstab } from '../../src/devices/linux/parse-fstab.ts';
import { parseMountinfo } from '../../src/devices/linux/parse-mountinfo.ts';
import { parseSwaps } from '../../src/devices/linux/parse-swaps.ts';
import { parseZpoolMembers } from '../../src/devices/linux/parse-zpool.ts';
import { partUuidsOfLoadOption } from '../../src/devices/linux/read-efi-boot.ts';

/** As the kernel's mangle() does for mount points, sources and swap paths: space, tab, line end, backslash, hash. */
function escapeLikeKernel(text: string): string {
  return [...Buffer.from(text, 'utf8')]
    .map((byte) =>
      ' \t\n\\#'.includes(String.fromCharCode(byte))
        ? `\\${byte.toString(8).padStart(3, '0')}`
        : String.fromCharCode(byte),
    )
    .map((char) => Buffer.from(char, 'latin1'))
    .reduce((all, part) => Buffer.concat([all, part]), Buffer.alloc(0))
    .toString('utf8');
}

const name = fc
  .string({ unit: 'grapheme', minLength: 1, maxLength: 30 })
  .filter((text) => !text.includes('\0'));
const path = name.map((text) => `/${text.replaceAll('/', '')}x`);

describe('mountinfo', () => {
  it('reads the example of proc_pid_mountinfo(5)', () => {
    const line = '36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n';
    expect(parseMountinfo(line)).toEqual({
      odd: [],
      mounts: [
        {
          majorMinor: '98:0',
          root: '/mnt1',
          mountPoint: '/mnt2',
          options: 'rw,noatime',
          fsType: 'ext3',
          source: '/dev/root',
          superOptions: 'rw,errors=continue',
        },
      ],
    });
  });

  it('reads lines without and with several optional fields, and empty sources', () => {
    const text =
      '22 27 0:21 / /proc rw - proc proc rw\n23 27 0:22 / /a rw shared:1 master:2 propagate_from:3 - tmpfs  rw\n';
    expect(parseMountinfo(text).mounts.map(({ mountPoint, source }) => [mountPoint, source])).toEqual([
      ['/proc', 'proc'],
      ['/a', ''],
    ]);
  });

  it('gives back any path that the kernel escapes', () => {
    fc.assert(
      fc.property(path, path, (point, source) => {
        const text = `1 2 8:1 / ${escapeLikeKernel(point)} rw - ext4 ${escapeLikeKernel(source)} rw\n`;
        expect(parseMountinfo(text).mounts[0]).toMatchObject({ mountPoint: point, source });
      }),
    );
  });

  it('loses no line, whatever it says', () => {
    const line = fc.oneof(
      fc.string(),
      fc.constant('1 2 8:1 / /a rw - ext4 /dev/a rw'),
      fc.string().map((text) => `1 2 8:1 / /a ${text}`),
    );
    fc.assert(
      fc.property(fc.array(line), (lines) => {
        const text = lines.join('\n');
        const { mounts, odd } = parseMountinfo(text);
        expect(mounts.length + odd.length).toBe(text.split('\n').filter((one) => one !== '').length);
      }),
    );
  });

  it('reads every line of this machine', () => {
    const text = execaSync('cat', ['/proc/self/mountinfo']).stdout;
    expect(parseMountinfo(text).odd).toEqual([]);
  });
});

describe('octal escapes', () => {
  it.each([
    ['a\\040b', 'a b'],
    ['\\303\\251', 'é'],
    ['\\134', '\\'],
    ['\\\\040', '\\ '],
    ['\\04', '\\04'],
    ['\\778', '\\778'],
    ['\\777', '\\777'],
    ['plain', 'plain'],
    ['é\\011', 'é\t'],
  ])('%s is %j', (text, plain) => {
    expect(unescapeOctal(text)).toBe(plain);
  });

  it('never throws, and undoes escaping', () => {
    fc.assert(fc.property(fc.string({ unit: 'binary' }), (text) => typeof unescapeOctal(text) === 'string'));
    fc.assert(
      fc.property(name, (text) => {
        expect(unescapeOctal(escapeLikeKernel(text))).toBe(text);
      }),
    );
    expect(unescapeOctal('\ufeffa\\040b')).toBe('\ufeffa b');
  });
});

describe('swaps', () => {
  it('reads both kinds, with spaces in names', () => {
    const text =
      'Filename\t\t\t\tType\t\tSize\t\tUsed\t\tPriority\n' +
      '/dev/dm-2                               partition\t1000\t\t0\t\t-2\n' +
      '/srv/swap\\040file file\t\t92\t\t0\t\t-3\n';
    expect(parseSwaps(text)).toEqual({
      odd: [],
      swaps: [
        { path: '/dev/dm-2', kind: 'partition' },
        { path: '/srv/swap file', kind: 'file' },
      ],
    });
  });

  it('reads a deleted swap file (linux: seq_file_path appends " (deleted)" escaped)', () => {
    const { swaps, odd } = parseSwaps('/srv/s\\040(deleted) file 92 0 -3\n');
    expect([swaps, odd]).toEqual([[{ path: '/srv/s (deleted)', kind: 'file' }], []]);
  });

  it('loses no line, whatever it says', () => {
    fc.assert(
      fc.property(fc.string(), (text) => {
        const { swaps, odd } = parseSwaps(text);
        const lines = text
          .split('\n')
          .filter((line) => line.trim() !== '' && !/^Filename\s+Type\s/.test(line));
        expect(swaps.length + odd.length).toBe(lines.length);
      }),
    );
  });
});

describe('fstab and crypttab', () => {
  it('reads what names a device, and nothing else', () => {
    const text = [
      '# a comment',
      'UUID=0a3407de-014b-458b-b5c1-848e92a327a3 /     ext4  noatime  0 1',
      'LABEL="my\\040data" /data ext4 noauto',
      '/dev/sdb1\t/media/a\\040b vfat user',
      'PARTUUID=aaaa-02 none swap sw 0 0',
      'tmpfs /tmp tmpfs defaults',
      'server.example.org:/srv /srv nfs defaults',
      '//server.example.org/share /share cifs defaults',
      '/srv/swap none swap sw',
      '',
    ].join('\n');
    expect(parseFstab(text)).toEqual([
      { spec: 'UUID=0a3407de-014b-458b-b5c1-848e92a327a3', target: '/' },
      { spec: 'LABEL=my data', target: '/data' },
      { spec: '/dev/sdb1', target: '/media/a b' },
      { spec: 'PARTUUID=aaaa-02', target: 'swap' },
    ]);
  });

  it('reads crypttab with keys and headers on other devices', () => {
    const text =
      'keep UUID=7777 none luks\nstore /dev/sdc1 /keys/a:LABEL=KEYS luks,header=/h:/dev/sdd1\nimg /srv/image none\n';
    expect(parseCrypttab(text)).toEqual([
      { spec: 'UUID=7777', target: 'keep' },
      { spec: '/dev/sdc1', target: 'store' },
      { spec: 'LABEL=KEYS', target: 'store' },
      { spec: '/dev/sdd1', target: 'store' },
    ]);
  });

  it('never throws', () => {
    fc.assert(
      fc.property(
        fc.string(),
        (text) => Array.isArray(parseFstab(text)) && Array.isArray(parseCrypttab(text)),
      ),
    );
  });
});

describe('the kernel command line', () => {
  it.each([
    ['root=/dev/mmcblk0p2 rootwait', [['root=', '/dev/mmcblk0p2']]],
    ['ro root=PARTUUID=c0ffee00-02/PARTNROFF=1', [['root=', 'PARTUUID=c0ffee00-02']]],
    [
      'root=UUID=1 resume=LABEL=swap',
      [
        ['root=', 'UUID=1'],
        ['resume=', 'LABEL=swap'],
      ],
    ],
    ['root=b302', [['root=', 'NUMBERS=179:2']]],
    ['root=8:2', [['root=', 'NUMBERS=8:2']]],
    ['rd.luks.uuid=luks-77', [['rd.luks.uuid=', 'UUID=77']]],
    [
      'cryptdevice=/dev/sda2:root cryptdevice=UUID=5:x:allow',
      [
        ['cryptdevice=', '/dev/sda2'],
        ['cryptdevice=', 'UUID=5'],
      ],
    ],
    ['root="LABEL=my disk" quiet', [['root=', 'LABEL=my disk']]],
    ['root=/dev/nfs root=/dev/ram0 root=ZFS=pool notroot=/dev/sda', []],
    ['', []],
  ])('%s', (line, devices) => {
    expect(parseKernelDevices(line).map(({ target, spec }) => [target, spec])).toEqual(devices);
  });

  it('never throws, and splits nothing inside quotes', () => {
    fc.assert(fc.property(fc.string(), (text) => Array.isArray(parseKernelDevices(text))));
    expect(splitKernelParameters('a="b c" d')).toEqual(['a="b c"', 'd']);
  });
});

describe('layers of an overlay', () => {
  it.each([
    ['rw,lowerdir=/a:/b,upperdir=/c,workdir=/d', ['/a', '/b', '/c', '/d']],
    ['ro,lowerdir=/a::/data', ['/a', '/data']],
    ['rw,lowerdir=/with\\134:colon:/b,index=off', ['/with:colon', '/b']],
    ['rw,lowerdir=/with\\134\\054comma,upperdir=/u', ['/with,comma', '/u']],
    ['rw,lowerdir=/a\\040b', ['/a b']],
    ['rw,lowerdir+=/a,lowerdir+=/b,datadir+=/c', ['/a', '/b', '/c']],
    ['rw', []],
  ])('%s', (options, layers) => {
    expect(overlayLayers(options)).toEqual(layers);
  });

  it('never throws', () => {
    fc.assert(fc.property(fc.string(), (text) => Array.isArray(overlayLayers(text))));
  });
});

describe('names and tables of programs', () => {
  it('decodes what udev encodes', () => {
    expect(decodeUdev('a\\x20b\\x2fc')).toBe('a b/c');
    expect(decodeUdev('\\xc3\\xa9')).toBe('é');
    expect(decodeUdev('\\x2')).toBe('\\x2');
    fc.assert(fc.property(fc.string(), (text) => typeof decodeUdev(text) === 'string'));
  });

  it('reads ambivalent content as several signatures', () => {
    // Output of util-linux 2.38 for an ext4 superblock in front of a btrfs one.
    const pairs = parseBlkidPairs('ID_FS_AMBIVALENT=filesystem:ext4:1.0 filesystem:btrfs\n');
    expect(signaturesOf('sdb1', pairs).map(({ type, usage }) => [type, usage])).toEqual([
      ['ext4', 'filesystem'],
      ['btrfs', 'filesystem'],
    ]);
    expect(signaturesOf('sdb1', parseBlkidPairs(''))).toEqual([]);
  });

  it('reads members of a pool (layout of zpool status from memory)', () => {
    const text =
      '\tNAME          STATE\n\ttank          ONLINE  0 0 0\n\t  mirror-0    ONLINE  0 0 0\n\t    /dev/sda3  ONLINE  0 0 0\n\t    /dev/sdb3  DEGRADED  0 0 0\n';
    expect(parseZpoolMembers(text)).toEqual(['/dev/sda3', '/dev/sdb3']);
    expect(parseZpoolMembers('cannot open')).toEqual([]);
  });
});

describe('an EFI load option', () => {
  /** UEFI specification 3.1.3 and 10.3.5.1, built field by field. */
  function loadOption(signatureType: number, signature: Buffer, number = 1): DataView {
    const node = Buffer.alloc(42);
    node.writeUInt8(4, 0);
    node.writeUInt8(1, 1);
    node.writeUInt16LE(42, 2);
    node.writeUInt32LE(number, 4);
    signature.copy(node, 24);
    node.writeUInt8(signatureType === 2 ? 2 : 1, 40);
    node.writeUInt8(signatureType, 41);
    const end = Buffer.of(0x7f, 0xff, 4, 0);
    const head = Buffer.alloc(6);
    head.writeUInt32LE(1, 0);
    head.writeUInt16LE(node.length + end.length, 4);
    const bytes = Uint8Array.from(Buffer.concat([head, Buffer.from('station\0', 'utf16le'), node, end]));
    return new DataView(bytes.buffer);
  }

  it('names the partition by GUID or by MBR signature, as the kernel does', () => {
    // UEFI specification, appendix A: the text form of EFI_GUID against its bytes in memory.
    const guid = Buffer.from('78563412bc9af0de1122334455667788', 'hex');
    expect(partUuidsOfLoadOption(loadOption(2, guid))).toEqual(['12345678-9abc-def0-1122-334455667788']);
    expect(partUuidsOfLoadOption(loadOption(1, Buffer.from('00eeffc0', 'hex'), 17))).toEqual(['c0ffee00-11']);
    expect(partUuidsOfLoadOption(loadOption(0, guid))).toEqual([]);
  });

  it('never throws', () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 200 }), (bytes) =>
        Array.isArray(partUuidsOfLoadOption(new DataView(Uint8Array.from(bytes).buffer))),
      ),
    );
  });
});
