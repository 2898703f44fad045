import { describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { describeFinding } from '../../src/contract/finding.ts';
import { defaultPolicy, type Policy } from '../../src/contract/policy.ts';
import { parsePolicy } from '../../src/guard/policy/parse-policy.ts';
import { parseSize } from '../../src/guard/policy/parse-size.ts';

function parse(text: string | Uint8Array): Policy {
  return parsePolicy(typeof text === 'string' ? Buffer.from(text) : text, 'p.yaml');
}

/** "line:column what" of each mistake. */
function mistakes(text: string | Uint8Array): string[] {
  try {
    parse(text);
  } catch (error) {
    if (!(error instanceof CardwrightError)) throw error;
    expect(error.code).toBe('guard.policy-mistakes');
    expect(error.facts.count).toBe(error.findings.length);
    expect(error.findings.every((f) => f.code === 'guard.policy-mistake' && f.severity === 'refuse')).toBe(
      true,
    );
    return error.findings.map((f) => `${f.facts.line}:${f.facts.column} ${f.facts.what}`);
  }
  return [];
}

describe('a policy without mistakes', () => {
  it('may give every key', () => {
    const text = `
# the orchard's station
maxSizeBytes: 64 GiB
transports: [usb, memstick]
allowDevices:
  - /dev/disk/by-id/usb-ORCHARD_READER-0:1
  - "01234567890123456789012345678901"
  - /dev/loop3
unmountBelow: [/media, /srv/cards]
imageFolders: [/srv/images]
bootModeIds: ["1D6B:0104"]
atStop: finish
groups: { growers: write, 7: read }
`;
    expect(parse(text)).toEqual({
      source: 'p.yaml',
      maxSizeBytes: 68_719_476_736,
      transports: ['usb', 'memstick'],
      allowDevices: [
        '/dev/disk/by-id/usb-ORCHARD_READER-0:1',
        '01234567890123456789012345678901',
        '/dev/loop3',
      ],
      unmountBelow: ['/media', '/srv/cards'],
      imageFolders: ['/srv/images'],
      bootModeIds: ['1d6b:0104'],
      atStop: 'finish',
      groups: { growers: 'write', 7: 'read' },
    });
  });

  it.each(['', '# nothing yet\n', '---\n', '{}\n', '\ufeff{}'])(
    'is the built-in one where it says nothing: %j',
    (text) => {
      expect(parse(text)).toEqual({ ...defaultPolicy, source: 'p.yaml' });
    },
  );

  it('may name a disk whose name has "-part1" in its middle', () => {
    const name = '/dev/disk/by-id/usb-ORCHARD-part1-0:0';
    expect(parse(`allowDevices: [${name}]`).allowDevices).toEqual([name]);
  });

  it('may leave every list empty', () => {
    const policy = parse('transports: []\nallowDevices: []\nunmountBelow: []\n');
    expect([policy.transports, policy.allowDevices, policy.unmountBelow]).toEqual([[], [], []]);
  });

  it('gives no two policies the same lists to change', () => {
    expect(parse('').transports).not.toBe(defaultPolicy.transports);
  });
});

describe('mistakes in a policy', () => {
  it('are all told at once, each with its line and column', () => {
    const text = `maxSize: 3
transports: [usb, sata]
maxSizeBytes: .nan
groups: { a: 1, "": x }
transports: [usb]
allowDevices: /dev/sda
imageFolders: [images]
`;
    expect(mistakes(text)).toEqual([
      '1:1 unknown key "maxSize"; known are maxSizeBytes, transports, allowDevices, unmountBelow, imageFolders, bootModeIds, atStop, groups',
      '3:15 a size is a whole number of bytes or text such as "64 GB"',
      '4:14 this has to be text',
      '4:21 groups is a map of names to texts, none of them empty',
      '5:1 this key is given twice',
      '6:15 this has to be a list',
      '7:16 a folder is an absolute path without "." and ".."',
    ]);
  });

  it('read as a sentence with the place in it', () => {
    try {
      parse('\n  maxSize: 1');
    } catch (error) {
      const [first] = (error as CardwrightError).findings;
      expect(describeFinding(first!)).toMatch(/^p\.yaml, line 2, column 3: unknown key "maxSize"/);
      expect((error as CardwrightError).message).toContain('p.yaml has mistakes: 1');
    }
    expect.assertions(2);
  });

  const device = 'a device is /dev/disk/by-id/NAME (a whole disk), a CID of 32 hex digits, or /dev/loopN';
  const usbId = 'a USB id is four hex digits, a colon and four more: "0a5c:2711"';
  const place = 'not a folder for cards: an absolute path outside the system, such as /media';
  const transport = 'a transport is one of usb, mmc-sd, memstick; other disks are named in allowDevices';
  const unknownKey = (place: string, key: string) =>
    `${place} unknown key "${key}"; known are maxSizeBytes, transports, allowDevices, unmountBelow, imageFolders, bootModeIds, atStop, groups`;
  const wrong: [string, string[]][] = [
    ['maxSizeBytes:', ['1:14 a size is a whole number of bytes or text such as "64 GB"']],
    ['maxSizeBytes: 1.5', ['1:15 a size is a whole number of bytes or text such as "64 GB"']],
    ['transports: [loop, 3]', [`1:14 ${transport}`, `1:20 ${transport}`]],
    ['allowDevices: [/dev/sda]', [`1:16 ${device}`]],
    ['allowDevices:\n  - /dev/disk/by-id/usb-x-part1', [`2:5 ${device}`]],
    ['allowDevices: [/dev/disk/by-id/../sda]', [`1:16 ${device}`]],
    ['allowDevices: [/dev/loop3p1]', [`1:16 ${device}`]],
    [
      'allowDevices: [01234567890123456789012345678901]',
      ['1:16 a device is given as text, in quotes if it is all digits'],
    ],
    ['unmountBelow: [/, /home/x, /media/]', [`1:16 ${place}`, `1:19 ${place}`, `1:28 ${place}`]],
    ['unmountBelow: [3]', ['1:16 a folder is given as text']],
    ['atStop: later', ['1:9 atStop is finish or cancel']],
    ['bootModeIds: [1234]', ['1:15 a USB id is given as text']],
    ['bootModeIds: ["1d6b:104"]', [`1:15 ${usbId}`]],
    ['bootModeIds: ["01d6b:0104", "1d6b:01040"]', [`1:15 ${usbId}`, `1:29 ${usbId}`]],
    ['imageFolders: [3]', ['1:16 a folder is given as text']],
    ['groups: [x]', ['1:9 groups is a map of names to texts, none of them empty']],
    ['groups: { a: "" }', ['1:14 this must not be empty']],
    ['groups: { 1: 2 }', ['1:9 this has to be text']],
    ['- a', ['1:1 a policy is a map of keys and values']],
    ['usb', ['1:1 a policy is a map of keys and values']],
    ['imageFolders: []\nsizes: 1', [unknownKey('2:1', 'sizes')]],
    ['sizes: 1\nimageFolders: []\nspeed: 2', [unknownKey('1:1', 'sizes'), unknownKey('3:1', 'speed')]],
    ['allowDevices: [x/dev/loop3]', [`1:16 ${device}`]],
    ['groups: { a: x, a: y }', ['1:17 this key is given twice']],
    ['transports: *all', ['1:13 a policy holds no aliases']],
    ['imageFolders: &f [/x]\nunmountBelow: *f', ['2:15 a policy holds no aliases']],
    ['__proto__: 1', ['1:1 a key is a plain word']],
    ['groups: { __proto__: x }', ['1:11 a key is a plain word']],
    ['? [a]\n: 3', ['1:3 a key is a plain word']],
    ['maxSizeBytes: !size 3', ['1:15 Unresolved tag: !size']],
    ['a: 1\n---\nb: 2', ['2:1 a policy is one document; a second one begins here']],
    ['{', ['1:2 Flow map must end with a }']],
    ['\tmaxSizeBytes: 1', ['1:1 Tabs are not allowed as indentation']],
  ];
  it.each(wrong)('%j', (text, expected) => {
    const found = mistakes(text);
    // A tag that is not known turns its value into text, which may be one mistake more.
    expect(found.slice(0, expected.length)).toEqual(expected);
    if (!text.includes('!')) expect(found).toHaveLength(expected.length);
  });

  it('include more text than a policy ever has', () => {
    const padded = (bytes: number) => `#${'x'.repeat(bytes - 2)}\n`;
    expect(parse(padded(256 * 1024))).toEqual({ ...defaultPolicy, source: 'p.yaml' });
    expect(mistakes(padded(256 * 1024 + 1))).toEqual(['1:1 the file is larger than 256 KiB']);
    expect(mistakes('['.repeat(41))).toEqual(['1:1 it is nested more than 40 deep']);
    expect(mistakes(`imageFolders: [${'/a, '.repeat(6000)}]`)).toEqual([
      '1:1 it has more than 10000 words and signs',
    ]);
  });

  it('include keys that are no words', () => {
    expect(mistakes('? !!binary aGk=\n: 1\n')).toEqual(['1:12 a key is a plain word']);
    expect(mistakes('~: 1\n')[0]).toMatch(/^1:1 unknown key/);
  });

  it('include bytes that are no UTF-8', () => {
    expect(mistakes(Uint8Array.of(0x23, 0xff))).toEqual(['1:1 the file is not UTF-8 text']);
  });
});

describe('sizes in text', () => {
  // Prefixes as in IEC 80000-13:2008, table of binary and decimal multiples.
  it.each([
    [1, 1],
    ['512 B', 512],
    ['1kB', 1000],
    ['64 GB', 64_000_000_000],
    ['64GiB', 68_719_476_736],
    ['  1.5 mib ', 1_572_864],
    ['2 TB', 2_000_000_000_000],
    ['1 TiB', 1_099_511_627_776],
    ['1 KiB', 1024],
    ['3 MB', 3_000_000],
    ['0.3 kib', 307],
  ])('%j is %i bytes', (value, bytes) => {
    expect(parseSize(value)).toBe(bytes);
  });

  it.each([
    0,
    -1,
    1.5,
    Number.NaN,
    Infinity,
    2 ** 53,
    null,
    undefined,
    true,
    [],
    {},
    '',
    '64',
    'GB',
    '-1 GB',
  ])('%j is none', (value) => {
    expect(parseSize(value)).toBeNull();
  });

  it.each(['1,5 GB', '1. GB', '1e3 GB', '64 PB', '64 G', '0 GB', '99999999 TB', '1 GB x'])(
    '%j is none',
    (value) => {
      expect(parseSize(value)).toBeNull();
    },
  );
});
