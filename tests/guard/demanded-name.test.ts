import { describe, expect, it } from 'vitest';
import type { Signature } from '../../src/contract/devices.ts';
import { adviseOn } from '../../src/contract/finding.ts';
import { demandedName } from '../../src/guard/approval/demanded-name.ts';
import { judgeDisk } from '../../src/guard/judge-disk.ts';
import { makeContext, makeDisk, makePartition, makeSignature } from './make-disk.ts';

const partitions = [
  makePartition('sdb', 1, { sizeBytes: 1e9 }),
  makePartition('sdb', 2, { sizeBytes: 3e9 }),
  makePartition('sdb', 3, { sizeBytes: 3e9 }),
];

function nameOf(...signatures: Partial<Signature>[]): string | null {
  return demandedName(makeDisk({ partitions, signatures: signatures.map(makeSignature) }));
}

describe('content that looks like somebody’s archive', () => {
  // Names as `blkid -k` lists them (Debian's util-linux 2.38.1); that these keep archives: common practice, no source.
  it.each([
    'crypto_LUKS',
    'LVM1_member',
    'LVM2_member',
    'zfs_member',
    'btrfs',
    'apfs',
    'ntfs',
    'BitLocker',
    'ReFS',
    'bcache',
    'hfsplus',
    'ceph_bluestore',
    'VMFS',
  ])('%s, by its type', (type) => {
    expect(nameOf({ type, label: 'HARVEST' })).toBe('HARVEST');
  });

  it.each(['linux_raid_member', 'isw_raid_member', 'ddf_raid_member'])('%s, by its usage', (type) => {
    expect(nameOf({ type, usage: 'raid', label: 'HARVEST' })).toBe('HARVEST');
  });

  it('an encrypted volume of a type not listed', () => {
    expect(nameOf({ type: 'other_crypt', usage: 'crypto', label: 'HARVEST' })).toBe('HARVEST');
    expect(nameOf({ type: null, usage: 'CRYPTO', label: 'HARVEST' })).toBe('HARVEST');
  });

  it('a volume with many files, where somebody counted them', () => {
    expect(nameOf({ label: 'PHOTOS', fileCount: 1000 })).toBe('PHOTOS');
    expect(nameOf({ label: 'PHOTOS', fileCount: 999 })).toBeNull();
    expect(nameOf({ label: 'PHOTOS', fileCount: null })).toBeNull();
  });

  it.each(['vfat', 'exfat', 'ext4', 'swap', 'squashfs', 'iso9660', null])('not %s', (type) => {
    expect(nameOf({ type, label: 'BOOT' })).toBeNull();
  });

  it('not content that could not be read, which is refused instead', () => {
    expect(demandedName(makeDisk({ signatures: null }))).toBeNull();
  });
});

describe('the name that has to be typed', () => {
  it('is the label, else the first part of the UUID, else the type', () => {
    const uuid = '3f2504e0-4f89-11d3-9a0c-0305e82c3301';
    expect(nameOf({ type: 'ntfs', label: ' HARVEST ', uuid })).toBe('HARVEST');
    expect(nameOf({ type: 'ntfs', label: '  ', uuid })).toBe('3f2504e0');
    expect(nameOf({ type: 'ntfs', uuid: '5A1F00FE12345678' })).toBe('5A1F00FE12345678');
    expect(nameOf({ type: 'ntfs', uuid: '-' })).toBe('ntfs');
    expect(nameOf({ type: 'ntfs' })).toBe('ntfs');
    expect(nameOf({ type: null, usage: 'raid' })).toBe('volume');
  });

  it('is typed as it is shown', () => {
    expect(nameOf({ type: 'ntfs', label: 'A\u001b[2JB' })).toBe('A\\x1b[2JB');
  });

  it('is that of the largest archive, the first of equals', () => {
    const small = { on: 'sdb1', type: 'ntfs', label: 'SMALL' };
    const large = { on: 'sdb2', type: 'btrfs', label: 'LARGE' };
    const equal = { on: 'sdb3', type: 'btrfs', label: 'EQUAL' };
    const plain = { on: 'sdb3', type: 'ext4', label: 'PLAIN' };
    expect(nameOf(small, plain, large, equal)).toBe('LARGE');
    expect(nameOf(equal, large, small)).toBe('EQUAL');
  });

  it('is that of the whole disk where that is one volume', () => {
    const disk = { on: 'sdb', type: 'crypto_LUKS', label: 'WHOLE' };
    expect(nameOf({ on: 'sdb2', type: 'ntfs', label: 'PART' }, disk)).toBe('WHOLE');
  });

  it('stands in every finding about the archives', () => {
    const signatures = [
      makeSignature({ on: 'sdb1', type: 'ntfs', label: 'SMALL', fileCount: 3 }),
      makeSignature({ on: 'sdb2', type: null, usage: 'raid' }),
    ];
    const disk = makeDisk({ partitions, signatures });
    const { verdict, findings } = judgeDisk(disk, makeContext(disk));
    expect(verdict).toBe('needs approval');
    expect(findings.map((f) => [f.code, f.facts.on, f.facts.type, f.facts.files])).toEqual([
      ['guard.archive', 'sdb2', 'unknown type', null],
      ['guard.archive', 'sdb1', 'ntfs', 3],
    ]);
    for (const found of findings) expect(adviseOn(found)).toContain('CODE:volume');
  });
});
