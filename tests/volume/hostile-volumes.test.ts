import { beforeAll, expect, it } from 'vitest';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { openVolume } from '../../src/volume/open-volume.ts';
import { describeWith } from '../lab/capabilities.ts';
import { applied, codeOf, fatTools, makeFat, sourceOf, wholeOf, withFiles } from './fat-image.ts';

const mib = 2 ** 20;

interface Layout {
  bits: number;
  fatStart: number;
  fatBytes: number;
  dataStart: number;
}

function layoutOf(image: Buffer): Layout {
  const fatBytes = (image.readUInt16LE(22) || image.readUInt32LE(36)) * 512;
  const fatStart = image.readUInt16LE(14) * 512;
  const dataStart = fatStart + 2 * fatBytes + image.readUInt16LE(17) * 32;
  return { bits: image.readUInt16LE(22) === 0 ? 32 : 16, fatStart, fatBytes, dataStart };
}

describeWith(fatTools, 'volumes that are damaged or made to do harm', { timeoutMs: 60_000 }, () => {
  let fat16: Buffer;
  let fat32: Buffer;
  /** few clusters, so that hundreds of copies cost little */
  let small32: Buffer;
  beforeAll(async () => {
    await loadFat();
    const files = {
      'user-data': 'a'.repeat(9000),
      'kernel.img': 'k'.repeat(30_000),
      'folder/file': 'f'.repeat(5000),
    };
    fat16 = withFiles(makeFat(['-F', '16', '-s', '1', '-n', 'BOOTFS'], 3 * mib), files);
    fat32 = withFiles(makeFat(['-F', '32', '-s', '1', '-n', 'BOOTFS'], 36 * mib), files);
    small32 = makeFat(['-F', '32', '-s', '1', '-n', 'BOOTFS'], mib);
    const volume = openVolume(sourceOf(small32), wholeOf(small32));
    for (const [path, content] of Object.entries(files)) volume.writeFile(path, Buffer.from(content));
    small32 = applied(small32, volume.changes());
    volume.close();
  });

  function changed(image: Buffer, change: (copy: Buffer, layout: Layout) => void): Buffer {
    const copy = Buffer.from(image);
    change(copy, layoutOf(copy));
    return copy;
  }

  /** Sets an entry in both copies of the table. */
  function setEntry(image: Buffer, layout: Layout, cluster: number, value: number): void {
    for (const copy of [0, 1]) {
      const at = layout.fatStart + copy * layout.fatBytes;
      if (layout.bits === 32) image.writeUInt32LE(value, at + cluster * 4);
      else image.writeUInt16LE(value & 0xffff, at + cluster * 2);
    }
  }

  const openCode = (image: Buffer) => codeOf(() => openVolume(sourceOf(image), wholeOf(image)).close());

  it.each([
    ['no FAT at all', (b: Buffer) => b.fill(0), 'volume.not-fat'],
    ['no 55 AA', (b: Buffer) => b.writeUInt16LE(0, 510), 'volume.not-fat'],
    ['511-byte sectors', (b: Buffer) => b.writeUInt16LE(511, 11), 'volume.not-fat'],
    ['three sectors a cluster', (b: Buffer) => b.writeUInt8(3, 13), 'volume.not-fat'],
    ['no sectors a cluster', (b: Buffer) => b.writeUInt8(0, 13), 'volume.not-fat'],
    ['a media byte of 00', (b: Buffer) => b.writeUInt8(0, 21), 'volume.not-fat'],
    ['no table', (b: Buffer) => b.writeUInt8(0, 16), 'volume.bad-geometry'],
    ['200 tables', (b: Buffer) => b.writeUInt8(200, 16), 'volume.bad-geometry'],
    ['no reserved sector', (b: Buffer) => b.writeUInt16LE(0, 14), 'volume.bad-geometry'],
    [
      'more sectors than its partition',
      (b: Buffer) => b.writeUInt32LE(0xffffffff, 32),
      'volume.bad-geometry',
    ],
    ['a table larger than itself', (b: Buffer) => b.writeUInt32LE(0x7fffffff, 36), 'volume.bad-geometry'],
    ['a root directory outside', (b: Buffer) => b.writeUInt32LE(0x0ffffff0, 44), 'volume.bad-geometry'],
    ['a root directory at cluster 0', (b: Buffer) => b.writeUInt32LE(0, 44), 'volume.bad-geometry'],
    ['a later version', (b: Buffer) => b.writeUInt16LE(1, 42), 'volume.bad-geometry'],
    ['the second table in use alone', (b: Buffer) => b.writeUInt16LE(0x81, 40), 'volume.bad-geometry'],
    ['fixed root entries in FAT32', (b: Buffer) => b.writeUInt16LE(512, 17), 'volume.bad-geometry'],
    ['almost no sectors', (b: Buffer) => b.writeUInt32LE(40, 32), 'volume.bad-geometry'],
  ])('is refused: %s', (_title, change, code) => {
    const image = changed(fat32, (copy) => {
      copy.writeUInt16LE(0, 19);
      copy.writeUInt32LE(36 * 2048, 32);
      change(copy);
    });
    expect(openCode(image)).toBe(code);
  });

  it.each([
    ['a chain that runs in a circle', (set: Setter) => set(5, 3)],
    ['a chain that leads to itself', (set: Setter) => set(900, 900)],
    ['a circle that no chain leads into', (set: Setter) => [set(900, 901), set(901, 902), set(902, 900)]],
    ['two chains that meet', (set: Setter) => [set(900, 4), set(901, 0x0fffffff)]],
    ['a chain that leads outside', (set: Setter) => set(4, 0x0ffffff0)],
    ['a chain that leads to a free cluster', (set: Setter) => set(4, 2000)],
    ['a chain that leads to cluster 1', (set: Setter) => set(4, 1)],
    ['a chain that leads to a bad cluster', (set: Setter) => [set(2000, 0x0ffffff7), set(4, 2000)]],
  ])('is refused before anything is edited: %s', (_title, change) => {
    for (const image of [fat16, fat32]) {
      const broken = changed(image, (copy, layout) =>
        change((cluster, value) => setEntry(copy, layout, cluster, value)),
      );
      expect(openCode(broken)).toBe('volume.damaged');
    }
  });

  type Setter = (cluster: number, value: number) => void;

  it('takes bad clusters as they are, and never uses them', () => {
    const image = changed(small32, (copy, layout) => {
      for (let cluster = 200; cluster < 400; cluster++) setEntry(copy, layout, cluster, 0x0ffffff7);
    });
    const volume = openVolume(sourceOf(image), wholeOf(image));
    volume.writeFile('big', Buffer.alloc(volume.freeBytes, 0xcc));
    const { dataStart } = layoutOf(image);
    for (const { offset, data } of volume.changes().filter(({ offset }) => offset >= dataStart)) {
      const [first, last] = [offset, offset + data.length - 1].map(
        (at) => Math.floor((at - dataStart) / 512) + 2,
      );
      expect((last ?? 0) < 200 || (first ?? 0) >= 400).toBe(true);
    }
    volume.close();
  });

  it('does not take a file apart whose name leads into another file’s chain', () => {
    const image = changed(fat32, (copy, layout) => {
      const entry = copy.indexOf('USER-D~1   ', layout.dataStart, 'latin1');
      const kernel = copy.indexOf('KERNEL  IMG', layout.dataStart, 'latin1');
      copy.writeUInt16LE(copy.readUInt16LE(kernel + 26) + 7, entry + 26);
    });
    const volume = openVolume(sourceOf(image), wholeOf(image));
    expect(codeOf(() => volume.writeFile('user-data', Buffer.from('x')))).toBe('volume.damaged');
    expect(codeOf(() => volume.removeFile('user-data'))).toBe('volume.damaged');
    expect(volume.changes()).toEqual([]);
    volume.close();
  });

  it('says that a file is damaged whose entry promises more than its chain holds', () => {
    const image = changed(fat32, (copy, layout) => {
      copy.writeUInt32LE(20_000_000, copy.indexOf('USER-D~1   ', layout.dataStart, 'latin1') + 28);
    });
    const volume = openVolume(sourceOf(image), wholeOf(image));
    expect(codeOf(() => volume.readFile('user-data'))).toBe('volume.damaged');
    volume.close();
  });

  it('reads no entry that promises gigabytes', () => {
    const image = changed(fat16, (copy, layout) => {
      copy.writeUInt32LE(0xffffffff, copy.indexOf('USER-D~1   ', layout.fatStart, 'latin1') + 28);
    });
    const volume = openVolume(sourceOf(image), wholeOf(image));
    expect(codeOf(() => volume.readFile('user-data'))).toBe('volume.file-too-large');
    volume.close();
  });

  it.each([
    ['two names for one file', 'KERNEL  IMG', 0],
    ['a name that leads into another file', 'KERNEL  IMG', 3],
    ['a name that leads to a free cluster', 'KERNEL  IMG', 500],
    ['a name that leads outside', 'KERNEL  IMG', 60_000],
    ['a file and a folder at one place', 'FOLDER     ', 0],
  ])('is read, but not edited: %s', (_title, other, further) => {
    for (const image of [fat16, fat32, small32]) {
      const broken = changed(image, (copy, { fatStart }) => {
        const entry = copy.indexOf('USER-D~1   ', fatStart, 'latin1');
        const target = copy.readUInt16LE(copy.indexOf(other, fatStart, 'latin1') + 26) + further;
        copy.writeUInt16LE(target, entry + 26);
      });
      const volume = openVolume(sourceOf(broken), wholeOf(broken));
      expect(volume.list('').length).toBeGreaterThan(2);
      expect(Buffer.from(volume.readFile('folder/file')).toString()).toBe('f'.repeat(5000));
      expect(codeOf(() => volume.writeFile('another', Buffer.from('x')))).toBe('volume.damaged');
      expect(codeOf(() => volume.removeFile('kernel.img'))).toBe('volume.damaged');
      expect(codeOf(() => volume.atomically(() => undefined))).toBe('volume.damaged');
      expect(volume.changes()).toEqual([]);
      volume.close();
    }
  });

  it('is not edited where something stands behind the end of a folder', () => {
    const broken = changed(fat16, (copy, { fatStart }) => {
      const kernel = copy.indexOf('KERNEL  IMG', fatStart, 'latin1');
      copy.fill(0, kernel, kernel + 32);
    });
    const volume = openVolume(sourceOf(broken), wholeOf(broken));
    expect(codeOf(() => volume.writeFile('network-config', Buffer.from('x')))).toBe('volume.damaged');
    volume.close();
  });

  it('is not edited where folders hold each other', () => {
    const broken = changed(small32, (copy, { dataStart }) => {
      const folder = copy.indexOf('FOLDER     ', dataStart, 'latin1');
      const inner = copy.indexOf('FILE       ', dataStart, 'latin1');
      copy[inner + 11] = 0x10;
      copy.writeUInt16LE(copy.readUInt16LE(folder + 26), inner + 26);
    });
    const volume = openVolume(sourceOf(broken), wholeOf(broken));
    expect(codeOf(() => volume.writeFile('folder/new', Buffer.from('x')))).toBe('volume.damaged');
    volume.close();
  });
});
