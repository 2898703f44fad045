import { beforeAll, describe, expect, it } from 'vitest';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { openVolume } from '../../src/volume/open-volume.ts';
import { checkVolumePath } from '../../src/volume/volume-path.ts';
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

describeWith(fatTools, 'names as they stand on the volume', { timeoutMs: 60_000 }, () => {
  let empty: Buffer;
  beforeAll(async () => {
    await loadFat();
    empty = makeFat(['-F', '16', '-n', 'BOOTFS'], 32 * mib);
  });

  function write(image: Buffer, ...names: string[]): Buffer {
    const volume = openVolume(sourceOf(image), wholeOf(image));
    for (const name of names) volume.writeFile(name, Buffer.from(name));
    const after = applied(image, volume.changes());
    volume.close();
    expect(checkFat(after)).toMatchObject({ status: 0 });
    return after;
  }

  it('reads the case that others stored, and finds a file by any spelling', () => {
    const image = withFiles(empty, { 'cmdline.txt': 'console', 'User-Data': 'image', 'CONFIG.TXT': 'c' });
    const volume = openVolume(sourceOf(image), wholeOf(image));
    expect(volume.list('').map(({ name }) => name)).toEqual(['cmdline.txt', 'User-Data', 'CONFIG.TXT']);
    expect(volume.stat('USER-DATA')?.name).toBe('User-Data');
    expect(Buffer.from(volume.readFile('config.txt')).toString()).toBe('c');
    expect(volume.stat('missing')).toBeNull();
    expect(volume.stat('missing/too')).toBeNull();
    expect(volume.stat('cmdline.txt/below')).toBeNull();
    volume.close();
  });

  it('replaces a name that differs in case, and spells it as asked', () => {
    const image = withFiles(empty, { 'USER-DATA': 'old', 'META-DATA': 'old' });
    const after = write(image, 'user-data');
    expect(mtools(after, 'mdir', ['-b', '::/']).trim().split('\n').sort()).toEqual([
      '::/META-DATA',
      '::/user-data',
    ]);
    expect(mtools(after, 'mtype', ['::/user-data'])).toBe('user-data');
    // The short name is free again, so a reader without long names finds the file where it was.
    expect(mtools(after, 'mdir', ['::/'])).toContain('USER-D~1');
  });

  it('keeps a folder’s spelling when a file goes into it', () => {
    const image = mtoolsChange(empty, 'mmd', ['::/Overlays']);
    const after = write(image, 'overlays/extra.txt');
    expect(mtools(after, 'mdir', ['-b', '-/', '::/']).trim().split('\n')).toEqual([
      '::/Overlays/',
      '::/Overlays/extra.txt',
    ]);
  });

  it('does not take another file’s 8.3 name for a file of its own', () => {
    const image = withFiles(empty, { 'user-data': 'seed' });
    const volume = openVolume(sourceOf(image), wholeOf(image));
    expect(volume.stat('USER-D~1')).toBeNull();
    expect(codeOf(() => volume.writeFile('USER-D~1', Buffer.from('x')))).toBe('volume.bad-name');
    expect(codeOf(() => volume.removeFile('user-d~1'))).toBe('volume.bad-name');
    expect(volume.changes()).toEqual([]);
    volume.close();
  });

  it('takes names beyond ASCII, and tells them apart', () => {
    const names = ['Äpfel-Liste.txt', 'naïve.txt', '林檎.txt', 'straße', 'strasse'];
    const after = write(empty, ...names);
    const volume = openVolume(sourceOf(after), wholeOf(after));
    expect(volume.list('').map(({ name }) => name)).toEqual(names);
    expect(Buffer.from(volume.readFile('äPFEL-lISTE.TXT')).toString()).toBe('Äpfel-Liste.txt');
    expect(Buffer.from(volume.readFile('strasse')).toString()).toBe('strasse');
    volume.close();
  });
});

describe('paths that FAT cannot hold', () => {
  it.each([
    '',
    '/user-data',
    'a//b',
    '../up',
    'a/./b',
    'user-data.',
    'user-data ',
    'a:b',
    'a*b',
    'a\\b',
    'a?b',
    'a"b',
    'a<b',
    'a|b',
    'line\nbreak',
    'nul',
    'CON.txt',
    'aux/file',
    'lpt1',
    'x'.repeat(256),
    'a/b/c/d/e/f/g/h/i',
    '\ud800half',
  ])('%j', (path) => {
    expect(checkVolumePath(path)).toEqual(expect.any(String));
  });

  it.each([
    'user-data',
    'console.log',
    'com10',
    '.hidden',
    'a b.txt',
    'x'.repeat(255),
    'a/b/c/d/e/f/g/h',
    '🍎.txt',
  ])('but takes %j', (path) => {
    expect(checkVolumePath(path)).toBeNull();
  });
});
