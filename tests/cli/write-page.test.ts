import * as fs from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { writePage } from '../../src/cli/write-page.ts';
import { useWorkFolder } from '../records/work-folder.ts';

const workFolder = useWorkFolder();
const isOurs = (head: string) => head.startsWith('ours');

describe('a file that a command puts out', () => {
  it('is written whole, and replaces an older one of ours', () => {
    const folder = workFolder();
    const path = join(folder, 'page.html');
    expect(writePage(path, 'ours 1', isOurs)).toBe(path);
    writePage(path, 'ours 2', isOurs);
    expect(fs.readFileSync(path, 'utf8')).toBe('ours 2');
    expect(fs.readdirSync(folder)).toEqual(['page.html']);
  });

  it.each([
    ['a file of somebody else', (path: string) => fs.writeFileSync(path, 'mine')],
    ['an empty file', (path: string) => fs.writeFileSync(path, '')],
    ['a folder', (path: string) => fs.mkdirSync(path)],
    [
      'a link, even to one of ours',
      (path: string) => {
        fs.writeFileSync(`${path}.other`, 'ours');
        fs.symlinkSync(`${path}.other`, path);
      },
    ],
  ])('does not take the place of %s', (_, prepare) => {
    const folder = workFolder();
    const path = join(folder, 'page.html');
    prepare(path);
    const before = fs.readdirSync(folder);
    expect(() => writePage(path, 'ours', isOurs)).toThrow(
      expect.objectContaining({ code: 'usage.file-in-the-way', exitStatus: 2 }),
    );
    expect(fs.readdirSync(folder)).toEqual(before);
  });

  it('leaves what was there, and nothing else, when it cannot be written', () => {
    const path = join(workFolder(), 'no-such-folder', 'page.html');
    expect(() => writePage(path, 'ours', isOurs)).toThrow(
      expect.objectContaining({ code: 'usage.file-not-written', facts: { path, errno: 'ENOENT' } }),
    );
  });
});
