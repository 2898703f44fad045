import { beforeAll, expect, it } from 'vitest';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { openVolume } from '../../src/volume/open-volume.ts';
import { describeWith } from '../lab/capabilities.ts';
import { applied, checkFat, fatTools, makeFat, mtools, sourceOf, wholeOf, withFiles } from './fat-image.ts';

const mib = 2 ** 20;
// `mkfs.vfat -F N -n BOOTFS -i 1234ABCD --invariant` of dosfstools 4.2; digests: tests/standards.
const golden = [
  [12, 4, 2036, 2048],
  [16, 32, 16343, 2048],
  [32, 256, 516190, 512],
] as const;

const makeGolden = (bits: number, sizeMib: number) =>
  makeFat(['-F', `${bits}`, '-n', 'BOOTFS', '-i', '1234ABCD', '--invariant'], sizeMib * mib);

describeWith(fatTools, 'golden volumes of dosfstools', { timeoutMs: 60_000 }, () => {
  beforeAll(async () => {
    await loadFat();
  });

  it.each(golden)(
    'FAT%d of %d MiB: read, edited, and still clean',
    (bits, sizeMib, clusters, clusterBytes) => {
      const image = makeGolden(bits, sizeMib);
      const volume = openVolume(sourceOf(image), wholeOf(image));
      expect(volume.type).toBe(`fat${bits}`);
      expect(volume.label).toBe('BOOTFS');
      // FAT32 spends one cluster on its root directory.
      expect(volume.freeBytes).toBe((clusters - (bits === 32 ? 1 : 0)) * clusterBytes);
      expect(volume.list('')).toEqual([]);
      expect(volume.findings).toEqual([]);
      expect(volume.changes()).toEqual([]);

      const content = Buffer.alloc(70_001, 'orchard ');
      volume.writeFile('user-data', content);
      volume.writeFile('files/deep/er/extra.txt', Buffer.from('extra'));
      volume.writeFile('empty', new Uint8Array());
      expect(content.equals(volume.readFile('user-data'))).toBe(true);
      const after = applied(image, volume.changes());
      volume.close();

      expect(checkFat(after)).toMatchObject({ status: 0 });
      expect(mtools(after, 'mtype', ['::/user-data'])).toBe(content.toString('latin1'));
      expect(mtools(after, 'mtype', ['::/files/deep/er/extra.txt'])).toBe('extra');
      expect(mtools(after, 'mdir', ['-b', '::/']).trim().split('\n')).toEqual([
        '::/user-data',
        '::/files/',
        '::/empty',
      ]);
      // Beside the label, nothing of the boot sectors may change.
      expect(after.subarray(0, 512)).toEqual(image.subarray(0, 512));
    },
  );

  it('leaves every other byte of a card alone, and what the volume held', () => {
    const startByte = 3 * mib;
    const stock = withFiles(makeGolden(16, 32), {
      'config.txt': 'arm_64bit=1\n',
      'overlays/README': 'read me',
      'KERNEL8.IMG': Buffer.alloc(3 * mib, 'kernel'),
    });
    const card = Buffer.concat([Buffer.alloc(startByte, 0xa5), stock, Buffer.alloc(mib, 0x5a)]);
    const volume = openVolume(sourceOf(card), { startByte, sizeBytes: stock.length, sectorBytes: 512 });
    expect(volume.list('').map(({ name, kind, sizeBytes }) => [name, kind, sizeBytes])).toEqual([
      ['config.txt', 'file', 12],
      ['overlays', 'folder', 0],
      ['KERNEL8.IMG', 'file', 3 * mib],
    ]);
    volume.writeFile('meta-data', Buffer.from('instance-id: x\n'));
    volume.writeFile('config.txt', Buffer.from('changed\n'));
    const changes = volume.changes();
    volume.close();
    for (const { offset, data } of changes) {
      expect(offset % 512).toBe(0);
      expect(data.length % 512).toBe(0);
      expect(offset).toBeGreaterThanOrEqual(startByte + 512);
      expect(offset + data.length).toBeLessThanOrEqual(startByte + stock.length);
    }
    const after = applied(card, changes);
    expect(checkFat(after.subarray(startByte, startByte + stock.length))).toMatchObject({ status: 0 });
    const read = (path: string) => mtools(after, 'mtype', [`::/${path}`], startByte);
    expect(read('meta-data')).toBe('instance-id: x\n');
    expect(read('config.txt')).toBe('changed\n');
    expect(read('overlays/README')).toBe('read me');
    expect(read('kernel8.img') === 'kernel'.repeat(mib / 2)).toBe(true);
  });

  it('takes a volume with 4096-byte sectors', () => {
    const image = makeFat(['-F', '32', '-S', '4096', '-s', '1', '-n', 'BOOTFS'], 280 * mib);
    const volume = openVolume(sourceOf(image), wholeOf(image, 4096));
    volume.writeFile('user-data', Buffer.alloc(9000, 'x'));
    const changes = volume.changes();
    volume.close();
    expect(changes.every(({ offset, data }) => offset % 4096 === 0 && data.length % 4096 === 0)).toBe(true);
    const after = applied(image, changes);
    expect(checkFat(after)).toMatchObject({ status: 0 });
    expect(mtools(after, 'mtype', ['::/user-data'])).toBe('x'.repeat(9000));
  });

  it('stamps files with the time it is given, as UTC', () => {
    const image = makeGolden(16, 32);
    const modifiedAtMs = Date.UTC(2031, 10, 3, 21, 46, 58);
    const volume = openVolume(sourceOf(image), wholeOf(image), { modifiedAtMs });
    volume.writeFile('ssh', new Uint8Array());
    const after = applied(image, volume.changes());
    volume.close();
    expect(mtools(after, 'mdir', ['::/ssh'])).toMatch(/ssh +0 2031-11-03 +21:46/);
  });

  it('gives the same bytes for the same edits', () => {
    const image = makeGolden(16, 32);
    const edit = () => {
      const volume = openVolume(sourceOf(image), wholeOf(image), { modifiedAtMs: Date.UTC(2030, 0, 1) });
      volume.writeFile('user-data', Buffer.from('one'));
      volume.writeFile('a/b', Buffer.from('two'));
      const after = applied(image, volume.changes());
      volume.close();
      return after;
    };
    expect(edit().equals(edit())).toBe(true);
  });
});
