import { execFileSync, spawnSync } from 'node:child_process';
import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { makeRehearsalImage } from '../../src/rehearsal/make-image.ts';
import { loadFat } from '../../src/volume/fat/load-fat.ts';

const hasTools = spawnSync('sh', ['-c', 'command -v sfdisk fsck.vfat mdir']).status === 0;

describe.skipIf(!hasTools)(
  'the rehearsal image, as reference tools see it (needs fdisk, dosfstools, mtools)',
  () => {
    let folder: string;
    let image: string;
    beforeAll(async () => {
      await loadFat();
      folder = fs.mkdtempSync(join(tmpdir(), 'cardwright-image-'));
      image = join(folder, 'node-os.img');
      makeRehearsalImage(image);
    });
    afterAll(() => fs.rmSync(folder, { recursive: true }));

    it('has two partitions by sfdisk', () => {
      const table = JSON.parse(
        execFileSync('sfdisk', ['--json', image], { encoding: 'utf8' }),
      ).partitiontable;
      expect(table).toMatchObject({
        label: 'dos',
        id: '0x0c0ffee0',
        partitions: [
          { start: 8192, size: 40960, type: 'c', bootable: true },
          { start: 49152, size: 32768, type: '83' },
        ],
      });
    });

    it('has a clean FAT volume by fsck.vfat, with the stubs by mdir', () => {
      const boot = join(folder, 'boot.img');
      fs.writeFileSync(boot, fs.readFileSync(image).subarray(4 * 2 ** 20, 24 * 2 ** 20));
      const check = spawnSync('fsck.vfat', ['-n', boot], { encoding: 'utf8' });
      expect(check.status, check.stdout).toBe(0);
      const list = execFileSync('mdir', ['-b', '-i', boot, '::'], { encoding: 'utf8' });
      expect(list.trim().split('\n').sort()).toEqual([
        '::/cmdline.txt',
        '::/meta-data',
        '::/network-config',
        '::/user-data',
      ]);
    });

    it('is the same every time', () => {
      const again = join(folder, 'again.img');
      makeRehearsalImage(again);
      expect(fs.readFileSync(again).equals(fs.readFileSync(image))).toBe(true);
    });
  },
);
