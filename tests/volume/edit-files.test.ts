import { beforeAll, expect, it } from 'vitest';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { type BootVolume, openVolume } from '../../src/volume/open-volume.ts';
import { describeWith } from '../lab/capabilities.ts';
import {
  applied,
  checkFat,
  codeOf,
  fatTools,
  makeFat,
  mtools,
  mtoolsChange,
  sourceOf,
  wholeOf,
  withFiles,
} from './fat-image.ts';

const mib = 2 ** 20;
const text = (content: string) => Buffer.from(content);

/** Opens, edits, closes; gives the volume as the changes leave it. */
function edit(image: Buffer, action: (volume: BootVolume) => void): { after: Buffer; codes: string[] } {
  const volume = openVolume(sourceOf(image), wholeOf(image));
  try {
    action(volume);
    return { after: applied(image, volume.changes()), codes: volume.findings.map(({ code }) => code) };
  } finally {
    volume.close();
  }
}

describeWith(fatTools, 'editing a boot volume', { timeoutMs: 60_000 }, () => {
  let fat16: Buffer;
  let fat32: Buffer;
  beforeAll(async () => {
    await loadFat();
    fat16 = makeFat(['-F', '16', '-n', 'BOOTFS'], 16 * mib);
    fat32 = makeFat(['-F', '32', '-s', '1', '-n', 'BOOTFS'], 36 * mib);
  });

  it('replaces, shortens, lengthens and removes', () => {
    for (const image of [fat16, fat32]) {
      const stock = withFiles(image, { 'user-data': 'x'.repeat(50_000), ssh: '', 'keep.txt': 'kept' });
      const { after } = edit(stock, (volume) => {
        volume.writeFile('user-data', text('short'));
        volume.writeFile('keep2.txt', text('y'.repeat(50_000)));
        expect(volume.removeFile('ssh')).toBe(true);
        expect(volume.removeFile('ssh')).toBe(false);
        expect(volume.removeFile('no/such/file')).toBe(false);
      });
      expect(checkFat(after)).toMatchObject({ status: 0 });
      expect(mtools(after, 'mdir', ['-b', '::/']).trim().split('\n').sort()).toEqual([
        '::/keep.txt',
        '::/keep2.txt',
        '::/user-data',
      ]);
      expect(mtools(after, 'mtype', ['::/user-data'])).toBe('short');
      expect(mtools(after, 'mtype', ['::/keep.txt'])).toBe('kept');
    }
  });

  it('replaces and removes read-only files, and says so', () => {
    const stock = withFiles(fat32, {
      'CMDLINE.TXT': 'old',
      'config.txt': 'old',
      'long name of a file.txt': 'old',
    });
    const locked = mtoolsChange(stock, 'mattrib', ['+r', '::/*']);
    const { after, codes } = edit(locked, (volume) => {
      expect(volume.list('').every(({ isReadOnly }) => isReadOnly)).toBe(true);
      volume.writeFile('cmdline.txt', text('new'));
      volume.writeFile('long name of a file.txt', text('new'));
      volume.removeFile('config.txt');
    });
    expect(codes).toEqual(new Array(3).fill('volume.read-only-replaced'));
    expect(checkFat(after)).toMatchObject({ status: 0 });
    expect(mtools(after, 'mtype', ['::/cmdline.txt'])).toBe('new');
    expect(mtools(after, 'mtype', ['::/long name of a file.txt'])).toBe('new');
    expect(mtools(after, 'mdir', ['-b', '::/'])).not.toContain('config.txt');
  });

  it('updates both copies of the table, and FSInfo', () => {
    const { after } = edit(fat32, (volume) => volume.writeFile('user-data', Buffer.alloc(20_000)));
    const [reserved, fatBytes] = [32 * 512, fat32.readUInt32LE(36) * 512];
    const first = after.subarray(reserved, reserved + fatBytes);
    expect(first.equals(after.subarray(reserved + fatBytes, reserved + 2 * fatBytes))).toBe(true);
    expect(first.equals(fat32.subarray(reserved, reserved + fatBytes))).toBe(false);
    expect(after.readUInt32LE(512 + 488)).toBe(fat32.readUInt32LE(512 + 488) - 40);
    // All of FSInfo but the two numbers stays, and so does the backup of the boot sector.
    expect(after.subarray(512, 1000).equals(fat32.subarray(512, 1000))).toBe(true);
    expect(after.subarray(6 * 512, 8 * 512).equals(fat32.subarray(6 * 512, 8 * 512))).toBe(true);
  });

  it.each([
    ['unknown', 0xffffffff, [], 0],
    ['wrong', 12_345, ['volume.free-count-wrong'], 1],
  ])('puts a free count right that is %s', (_title, count, codes, statusBefore) => {
    const image = Buffer.from(fat32);
    image.writeUInt32LE(count, 512 + 488);
    expect(checkFat(image).status).toBe(statusBefore);
    const edited = edit(image, (volume) => volume.writeFile('ssh', text('')));
    expect(edited.codes).toEqual(codes);
    const { after } = edit(image, (volume) => volume.writeFile('user-data', text('x')));
    expect(checkFat(after)).toMatchObject({ status: 0 });
  });

  it('does without FSInfo where it is not signed', () => {
    const image = Buffer.from(fat32);
    image.fill(0xee, 512, 1024);
    const { after } = edit(image, (volume) => volume.writeFile('user-data', text('x')));
    expect(after.subarray(512, 1024).equals(image.subarray(512, 1024))).toBe(true);
    expect(mtools(after, 'mtype', ['::/user-data'])).toBe('x');
  });

  // Masks 0x08000000 (clean) and 0x04000000 (no error); FAT16 bits 15 and 14; byte 65 or 37 of the boot sector.
  it.each([
    ['FAT32, boot sector', 32, (b: Buffer) => b.writeUInt8(b.readUInt8(65) | 1, 65)],
    ['FAT32, table', 32, (b: Buffer) => markBoth(b, (at) => b.writeUInt32LE(0x07ffffff, at + 4))],
    ['FAT32, error bit', 32, (b: Buffer) => markBoth(b, (at) => b.writeUInt32LE(0x0bffffff, at + 4))],
    ['FAT16, boot sector', 16, (b: Buffer) => b.writeUInt8(b.readUInt8(37) | 1, 37)],
    ['FAT16, table', 16, (b: Buffer) => markBoth(b, (at) => b.writeUInt16LE(0x7fff, at + 2))],
  ])('edits a volume with the dirty bit set, and leaves the bit: %s', (title, bits, mark) => {
    const image = Buffer.from(bits === 32 ? fat32 : fat16);
    mark(image);
    const before = checkFat(image);
    const { after, codes } = edit(image, (volume) => volume.writeFile('user-data', text('x')));
    expect(codes).toEqual(['volume.dirty']);
    // fsck.vfat 4.2 passes over the error bit; of the others it says "Dirty bit is set".
    const complaints = (output: string) =>
      output.split('\n').filter((line) => /dirty|differ|wrong/i.test(line));
    expect(complaints(checkFat(after).output)).toEqual(complaints(before.output));
    expect(complaints(before.output).length > 0).toBe(!title.includes('error'));
    expect(after.subarray(0, 512).equals(image.subarray(0, 512))).toBe(true);
  });

  function markBoth(image: Buffer, mark: (tableStart: number) => void): void {
    const fatSectors = image.readUInt16LE(22) || image.readUInt32LE(36);
    for (const copy of [0, 1]) mark((image.readUInt16LE(14) + copy * fatSectors) * 512);
  }

  it('notes that the copies of the table differ, and follows the first', () => {
    const image = withFiles(fat16, { 'user-data': 'old' });
    const second = (image.readUInt16LE(14) + image.readUInt16LE(22)) * 512;
    image.writeUInt16LE(0xfff7, second + 900 * 2);
    const volume = openVolume(sourceOf(image), wholeOf(image));
    expect(volume.findings).toEqual([
      { code: 'volume.copies-differ', severity: 'note', facts: { offset: second + 1800 } },
    ]);
    volume.close();
  });

  it('makes nothing of an edit that does not fit: volume full', () => {
    for (const image of [fat16, fat32]) {
      const stock = withFiles(image, { 'user-data': 'old content' });
      edit(stock, (volume) => {
        const free = volume.freeBytes;
        const act = () =>
          volume.atomically(() => {
            volume.writeFile('user-data', text('new content'));
            volume.writeFile('folder/one', Buffer.alloc(free / 2));
            volume.removeFile('user-data');
            volume.writeFile('folder/two', Buffer.alloc(free / 2 + 1));
          });
        expect(codeOf(act)).toBe('volume.full');
        expect(volume.changes()).toEqual([]);
        expect(volume.freeBytes).toBe(free);
        expect(Buffer.from(volume.readFile('user-data')).toString()).toBe('old content');
        expect(volume.list('').map(({ name }) => name)).toEqual(['user-data']);
        // And it can be gone on with.
        volume.writeFile('user-data', text('later'));
        expect(volume.changes().length).toBeGreaterThan(0);
      });
    }
  });

  it('makes nothing of an edit that does not fit: root directory full', () => {
    const image = makeFat(['-F', '16', '-r', '16', '-n', 'BOOTFS'], 16 * mib);
    // The label takes one entry.
    const room = image.readUInt16LE(17) - 1;
    const { after } = edit(image, (volume) => {
      for (let i = 0; i < room; i++) volume.writeFile(`f${i}`, text('x'));
      const before = volume.changes();
      expect(codeOf(() => volume.writeFile('last', text('x')))).toBe('volume.folder-full');
      expect(codeOf(() => volume.writeFile('folder/f', text('x')))).toBe('volume.folder-full');
      expect(volume.changes()).toEqual(before);
      volume.removeFile('f3');
      expect(codeOf(() => volume.writeFile('user-data', text('x')))).toBe('volume.folder-full');
      volume.writeFile('last', text('x'));
    });
    expect(checkFat(after)).toMatchObject({ status: 0 });
  });

  it('fills a fixed root directory of 512 entries exactly, as mtools does', () => {
    const { after } = edit(fat16, (volume) =>
      volume.atomically(() => {
        for (let i = 0; i < 511; i++) volume.writeFile(`F${i}`, text(''));
        expect(codeOf(() => volume.writeFile('F511', text('')))).toBe('volume.folder-full');
      }),
    );
    expect(checkFat(after)).toMatchObject({ status: 0 });
    expect(mtools(after, 'mdir', ['-b', '::/']).trim().split('\n')).toHaveLength(511);
  });

  it('grows the root directory of FAT32 and sub-folders', () => {
    const { after } = edit(fat32, (volume) =>
      volume.atomically(() => {
        for (let i = 0; i < 60; i++) {
          volume.writeFile(`a rather long name number ${i}`, text('x'));
          volume.writeFile(`sub/a rather long name number ${i}`, text('x'));
        }
      }),
    );
    expect(checkFat(after)).toMatchObject({ status: 0 });
    expect(mtools(after, 'mdir', ['-b', '-/', '::/']).trim().split('\n')).toHaveLength(121);
  });

  it('keeps files and folders apart', () => {
    const image = withFiles(fat16, { 'folder/file': 'x', 'user-data': 'y' });
    edit(image, (volume) => {
      expect(codeOf(() => volume.writeFile('folder', text('x')))).toBe('volume.not-a-file');
      expect(codeOf(() => volume.readFile('folder'))).toBe('volume.not-a-file');
      expect(codeOf(() => volume.removeFile('folder'))).toBe('volume.not-a-file');
      expect(codeOf(() => volume.writeFile('user-data/x', text('x')))).toBe('volume.not-a-folder');
      expect(codeOf(() => volume.readFile('missing'))).toBe('volume.not-found');
      expect(codeOf(() => volume.list('missing'))).toBe('volume.not-found');
      expect(codeOf(() => volume.list('user-data'))).toBe('volume.not-found');
      expect(volume.changes()).toEqual([]);
    });
  });

  it('refuses a file that no boot volume should hold', () => {
    edit(fat16, (volume) => {
      expect(codeOf(() => volume.writeFile('big', new Uint8Array(64 * mib + 1)))).toBe(
        'volume.file-too-large',
      );
    });
  });

  it('writes file data before tables and directories last', () => {
    const volume = openVolume(sourceOf(fat16), wholeOf(fat16));
    volume.writeFile('user-data', Buffer.alloc(5000, 'x'));
    volume.writeFile('sub/extra', Buffer.alloc(100, 'y'));
    const changes = volume.changes();
    volume.close();
    const fatStart = fat16.readUInt16LE(14) * 512;
    const rootStart = fatStart + 2 * fat16.readUInt16LE(22) * 512;
    const kindOf = ({ offset, data }: { offset: number; data: Uint8Array }) => {
      if (offset < rootStart) return 'table';
      return data[0] === 'x'.charCodeAt(0) || data[0] === 'y'.charCodeAt(0) ? 'data' : 'directory';
    };
    const kinds = changes.map(kindOf);
    expect(new Set(kinds)).toEqual(new Set(['data', 'table', 'directory']));
    expect(kinds).toEqual([...kinds].sort((a, b) => order(a) - order(b)));
  });

  function order(kind: string): number {
    return ['data', 'table', 'directory'].indexOf(kind);
  }

  it('can be used no more after closing, and holds ten volumes at most', () => {
    const volumes = Array.from({ length: 10 }, () => openVolume(sourceOf(fat16), wholeOf(fat16)));
    expect(codeOf(() => openVolume(sourceOf(fat16), wholeOf(fat16)))).toBe('volume.too-many-open');
    const [first, second] = volumes as [BootVolume, BootVolume];
    first.writeFile('user-data', text('first'));
    second.writeFile('user-data', text('second'));
    expect(Buffer.from(first.readFile('user-data')).toString()).toBe('first');
    for (const volume of volumes) volume.close();
    first.close();
    expect(codeOf(() => first.list(''))).toBe('volume.closed');
    expect(codeOf(() => first.changes())).toBe('volume.closed');
    openVolume(sourceOf(fat16), wholeOf(fat16)).close();
  });

  it('hands on the error of its source', () => {
    const source = sourceOf(fat16);
    let isGone = false;
    const fragile = {
      sizeBytes: source.sizeBytes,
      read: (offset: number, length: number) => {
        if (isGone) throw new Error('the card is gone');
        return source.read(offset, length);
      },
    };
    const volume = openVolume(fragile, wholeOf(fat16));
    isGone = true;
    // the folders are looked through before the first edit, by ourselves
    expect(() => volume.writeFile('user-data', text('x'))).toThrow('the card is gone');
    isGone = false;
    volume.removeFile('nothing');
    isGone = true;
    expect(codeOf(() => volume.writeFile('user-data', text('x')))).toBe('volume.read-failed');
    expect(codeOf(() => volume.list(''))).toBe('volume.read-failed');
    isGone = false;
    volume.writeFile('user-data', text('x'));
    expect(checkFat(applied(fat16, volume.changes()))).toMatchObject({ status: 0 });
    volume.close();
  });
});
