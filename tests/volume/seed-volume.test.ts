import { execFileSync } from 'node:child_process';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { openVolume } from '../../src/volume/open-volume.ts';
import { seedBytes, seedLabel } from '../../src/volume/seed-facts.ts';
import { makeSeedVolume } from '../../src/volume/seed-volume.ts';
import { describeWith } from '../lab/capabilities.ts';

const shape = { sectorBytes: 512, serial: 0x1234abcd, startByte: 2 ** 30 };
const folder = mkdtempSync(join(tmpdir(), 'cardwright-seed-volume-'));
const env = { ...process.env, PATH: `${process.env.PATH}:/usr/sbin:/sbin`, LC_ALL: 'C' };

beforeAll(async () => void (await loadFat()));
afterAll(() => rmSync(folder, { recursive: true, force: true }));

function inFile(bytes: Uint8Array): string {
  const file = join(folder, 'seed.img');
  writeFileSync(file, bytes);
  return file;
}

describe('an empty seed volume', () => {
  it.each([512, 4096])('opens, is empty and takes files, in sectors of %i bytes', (sectorBytes) => {
    const bytes = makeSeedVolume({ ...shape, sectorBytes });
    const source = {
      sizeBytes: seedBytes,
      read: (at: number, length: number) => bytes.slice(at, at + length),
    };
    const extent = { startByte: 0, sizeBytes: seedBytes, sectorBytes };
    const volume = openVolume(source, extent);
    expect(volume.label).toBe(seedLabel);
    expect(volume.type).toBe(sectorBytes === 512 ? 'fat32' : 'fat16');
    expect(volume.findings).toEqual([]);
    expect(volume.list('')).toEqual([]);
    expect(volume.freeBytes).toBeGreaterThan(34 * 2 ** 20);
    volume.writeFile('user-data', Buffer.from('#cloud-config\n'));
    for (const { offset, data } of volume.changes()) bytes.set(data, offset);
    volume.close();
    const again = openVolume(source, extent);
    expect(Buffer.from(again.readFile('user-data')).toString()).toBe('#cloud-config\n');
    expect(again.label).toBe(seedLabel);
    again.close();
  });
});

describeWith(
  ['program:fsck.fat', 'program:blkid', 'program:mdir'],
  'a seed volume, to other programs',
  () => {
    it.each([512, 4096])(
      'is sound to fsck.fat, and vfat with its label to blkid, in sectors of %i bytes',
      (sectorBytes) => {
        const file = inFile(makeSeedVolume({ ...shape, sectorBytes }));
        execFileSync('fsck.fat', ['-n', file], { env, stdio: 'pipe' });
        const said = execFileSync('blkid', ['-p', '-o', 'export', file], { env }).toString();
        // What cloud-init asks for: TYPE=vfat and LABEL; LABEL_FATBOOT is the boot sector's (cloud-init 20.3).
        expect(said).toContain('TYPE=vfat\n');
        expect(said).toContain('LABEL=CIDATA\n');
        expect(said).toContain('LABEL_FATBOOT=CIDATA\n');
        expect(said).toContain('UUID=1234-ABCD\n');
        expect(said).toContain(`VERSION=${sectorBytes === 512 ? 'FAT32' : 'FAT16'}\n`);
      },
    );

    it('is named to mtools as well', () => {
      const file = inFile(makeSeedVolume(shape));
      const said = execFileSync('mdir', ['-i', file, '::'], {
        env: { ...env, MTOOLSRC: '/dev/null' },
      }).toString();
      expect(said).toContain('Volume in drive : is CIDATA');
      expect(said).toContain('Serial Number is 1234-ABCD');
    });
  },
);
