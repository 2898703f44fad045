import fs from 'node:fs';
import path from 'node:path';
import { describe, expect, it } from 'vitest';
import type { ImageTable, ImageVolume } from '../../src/contract/image.ts';
import { selectBootVolume } from '../../src/image/select-boot-volume.ts';
import { probeVolume } from '../../src/image/table/probe-volume.ts';
import { describeWith, type Requirement } from '../lab/capabilities.ts';
import { fileSource, memorySource, noise, run, sparseFile, workFolder } from './recipes.ts';

const folder = workFolder();
const mib = 2 ** 20;
const uuid = '01234567-89ab-cdef-0123-456789abcdef';

/** What low-level probing by blkid (util-linux 2.38) says of a file. */
function byBlkid(file: string) {
  const lines = run('blkid', ['-p', '-o', 'export', file]).toString().split('\n');
  return Object.fromEntries(lines.map((line) => line.split('=') as [string, string]));
}

/** What each tool makes; `fat` is blkid's vfat, told apart by its VERSION. */
const made: [name: string, sizeMib: number, program: string, args: string[]][] = [
  ['fat12', 4, 'mkfs.vfat', ['-F', '12', '-n', 'BOOTFS', '-i', '1234ABCD']],
  ['fat16', 32, 'mkfs.vfat', ['-F', '16', '-n', 'BOOTFS', '-i', '1234ABCD']],
  ['fat32', 64, 'mkfs.vfat', ['-F', '32', '-n', 'BOOTFS', '-i', '1234ABCD']],
  ['fat32 without label', 64, 'mkfs.vfat', ['-F', '32']],
  ['fat16 with large sectors', 64, 'mkfs.vfat', ['-F', '16', '-S', '4096', '-n', 'LARGE']],
  ['ext2', 16, 'mkfs.ext2', ['-q', '-L', 'rootfs', '-U', uuid]],
  ['ext3', 16, 'mkfs.ext3', ['-q', '-L', 'rootfs', '-U', uuid]],
  ['ext4', 16, 'mkfs.ext4', ['-q', '-L', 'rootfs', '-U', uuid]],
  ['ext4 of 4096-byte blocks', 64, 'mkfs.ext4', ['-q', '-b', '4096', '-O', '^has_journal']],
  ['swap', 16, 'mkswap', ['-q', '-L', 'swapping', '-U', uuid]],
  ['btrfs', 128, 'mkfs.btrfs', ['-q', '-L', 'rootfs', '-U', uuid]],
  ['xfs', 320, 'mkfs.xfs', ['-q', '-L', 'rootfs', '-m', `uuid=${uuid}`]],
  ['f2fs', 64, 'mkfs.f2fs', ['-q', '-l', 'rootfs']],
  ['ntfs', 16, 'mkntfs', ['-q', '-F', '-Q']],
  ['exfat', 16, 'mkfs.exfat', ['-L', 'DATA']],
];

const kinds: Record<string, string> = { vfat: 'fat', crypto_LUKS: 'crypto_luks' };

function compare(file: string): void {
  const { sizeBytes } = fileSource(file);
  const ours = probeVolume(fileSource(file), 0, sizeBytes);
  const theirs = byBlkid(file);
  const type = kinds[theirs.TYPE ?? ''] ?? theirs.TYPE;
  expect(ours?.type.startsWith('fat') ? 'fat' : ours?.type).toBe(type);
  if (type === 'fat') expect(ours?.type.toUpperCase()).toBe(theirs.VERSION);
  // the label of these two lies in files of theirs
  if (type !== 'exfat' && type !== 'ntfs') expect(ours?.label ?? undefined).toBe(theirs.LABEL);
  if (type !== 'squashfs' && type !== 'iso9660') expect(ours?.uuid).toBe(theirs.UUID);
  expect(ours?.volumeBytes ?? 0).toBeLessThanOrEqual(sizeBytes);
}

for (const [name, sizeMib, program, args] of made) {
  describeWith([`program:${program}` as Requirement], `what ${program} makes (${name})`, () => {
    it('is named as blkid names it', () => {
      const file = sparseFile(path.join(folder, `${name}.img`), sizeMib * mib);
      run(program, [...args, file]);
      compare(file);
      // inside a larger image, at an odd place
      const shifted = Buffer.concat([noise(3 * 512), fs.readFileSync(file)]);
      const inside = probeVolume(memorySource(shifted), 3 * 512, sizeMib * mib);
      expect(inside).toEqual(probeVolume(fileSource(file), 0, sizeMib * mib));
    });
  });
}

describeWith(['program:mksquashfs', 'program:genisoimage'], 'read-only volumes', () => {
  const tree = fs.mkdtempSync(path.join(folder, 'tree-'));
  fs.writeFileSync(path.join(tree, 'file'), noise(100_000));

  it('squashfs and ISO 9660 are named as blkid names them', () => {
    const squashed = path.join(folder, 'a.squashfs');
    run('mksquashfs', [tree, squashed, '-quiet', '-no-progress']);
    compare(squashed);
    const iso = path.join(folder, 'a.iso');
    run('genisoimage', ['-quiet', '-V', 'ORCHARD', '-o', iso, tree]);
    compare(iso);
    // ECMA-119: the volume descriptor at 32768, its identifier at 32808
    const bytes = fs.readFileSync(iso);
    expect(bytes.subarray(32768, 32775).toString('latin1')).toBe('\x01CD001\x01');
    expect(bytes.subarray(32808, 32815).toString()).toBe('ORCHARD');
  });
});

describeWith(['program:cryptsetup'], 'encrypted volumes', () => {
  it.each(['luks1', 'luks2'])('%s is named as blkid names it', (type) => {
    const file = sparseFile(path.join(folder, `${type}.img`), 32 * mib);
    const fast = ['--pbkdf', 'pbkdf2', '--pbkdf-force-iterations', '1000'];
    const label = type === 'luks2' ? ['--label', 'secret'] : [];
    run('cryptsetup', ['luksFormat', '-q', '--type', type, ...label, ...fast, file, '-'], 'orchard');
    compare(file);
  });
});

describeWith(['program:mkfs.vfat', 'program:mcopy'], 'FAT by its fields', () => {
  // golden images of tests/standards
  it.each([
    ['12', 4],
    ['16', 32],
    ['32', 256],
  ])('the golden FAT%s', (bits, sizeMib) => {
    const file = sparseFile(path.join(folder, `golden-fat${bits}.img`), sizeMib * mib);
    run('mkfs.vfat', ['-F', bits, '-n', 'BOOTFS', '-i', '1234ABCD', '--invariant', file]);
    const probed = probeVolume(fileSource(file), 0, sizeMib * mib);
    expect(probed).toEqual({
      type: `fat${bits}`,
      label: 'BOOTFS',
      uuid: '1234-ABCD',
      volumeBytes: sizeMib * mib,
    });
  });

  it('FAT32 with too few clusters for the specification is still FAT32, as Linux has it', () => {
    const file = sparseFile(path.join(folder, 'small32.img'), 32 * mib);
    run('mkfs.vfat', ['-F', '32', '-s', '1', file]);
    expect(probeVolume(fileSource(file), 0, 32 * mib)?.type).toBe('fat32');
  });

  it('the label of the root directory counts, not that of the boot sector', () => {
    const file = sparseFile(path.join(folder, 'labels.img'), 4 * mib);
    run('mkfs.vfat', ['-F', '12', '-n', 'FIRST', file]);
    const bytes = fs.readFileSync(file);
    const at = bytes.indexOf('FIRST      \x08');
    bytes.write('SECOND     ', at);
    expect(probeVolume(memorySource(bytes), 0, bytes.length)?.label).toBe('SECOND');
    // a deleted entry is none
    bytes[at] = 0xe5;
    expect(probeVolume(memorySource(bytes), 0, bytes.length)?.label).toBe('FIRST');
  });

  it('a cut volume is still named', () => {
    const file = sparseFile(path.join(folder, 'cut.img'), 64 * mib);
    run('mkfs.vfat', ['-F', '32', '-n', 'BOOTFS', file]);
    const head = fs.readFileSync(file).subarray(0, 4096);
    expect(probeVolume(memorySource(head), 0, 4096)).toMatchObject({ type: 'fat32', label: 'BOOTFS' });
  });
});

describe('nothing', () => {
  it.each([0, 1, 511, 512, 1024, 2048, 70_000])('is seen in %i zeros or in noise', (length) => {
    expect(probeVolume(memorySource(Buffer.alloc(length)), 0, length)).toBeNull();
    expect(probeVolume(memorySource(noise(length)), 0, length)).toBeNull();
  });

  it('is seen past the end', () => {
    expect(probeVolume(memorySource(Buffer.alloc(512)), 4096, 512)).toBeNull();
  });
});

describe('the boot volume', () => {
  const volume = (partition: number, type: string, label: string | null = null): ImageVolume => ({
    partition,
    type,
    label,
    startByte: partition * mib,
    sizeBytes: mib,
  });
  const table = (kind: 'mbr' | 'gpt', ...types: string[]): ImageTable => ({
    kind,
    sectorBytes: 512,
    diskId: '',
    partitions: types.map((type, i) => ({
      number: i + 1,
      type,
      name: null,
      bootable: false,
      startByte: (i + 1) * mib,
      sizeBytes: mib,
    })),
  });
  const chosen = (volumes: ImageVolume[], from: ImageTable | null) =>
    selectBootVolume(volumes, from)?.partition ?? null;

  it('is the first FAT partition of a fitting type', () => {
    const volumes = [volume(3, 'fat32'), volume(2, 'fat16'), volume(1, 'ext4')];
    expect(chosen(volumes, table('mbr', '83', '0e', '0c'))).toBe(2);
    expect(chosen(volumes, table('mbr', '83', '83', '0c'))).toBe(3);
  });

  it.each(['01', '04', '06', '0b', '0c', '0e', 'ef'])('has MBR type %s', (type) => {
    expect(chosen([volume(1, 'fat16'), volume(2, 'fat32')], table('mbr', '83', type))).toBe(2);
  });

  // Discoverable Partitions Specification; UEFI 2.11 section 5.3.3
  it.each([
    'C12A7328-F81F-11D2-BA4B-00A0C93EC93B',
    'BC13C2FF-59E6-4262-A352-B275FD6F7172',
    'EBD0A0A2-B9E5-4433-87C0-68B6B72699C7',
  ])('has GPT type %s', (type) => {
    const linux = '0FC63DAF-8483-4772-8E79-3D69D8477DE4';
    expect(chosen([volume(1, 'fat16'), volume(2, 'fat32')], table('gpt', linux, type))).toBe(2);
    expect(chosen([volume(1, 'fat16'), volume(2, 'fat32')], table('gpt', linux, linux))).toBeNull();
    // the only one there is may have any type
    expect(chosen([volume(1, 'fat16')], table('gpt', linux))).toBe(1);
  });

  it('is the one labelled CIDATA, if there is one', () => {
    expect(chosen([volume(1, 'fat32'), volume(2, 'fat16', 'cidata')], table('mbr', '0c', '83'))).toBe(2);
  });

  it('is a bare FAT volume itself, and nothing in an ISO image or without FAT', () => {
    expect(chosen([volume(0, 'fat32')], null)).toBe(0);
    expect(chosen([volume(0, 'iso9660'), volume(2, 'fat16')], table('mbr', '17', 'ef'))).toBeNull();
    expect(chosen([volume(1, 'ext4')], table('mbr', '83'))).toBeNull();
  });
});
