import * as fs from 'node:fs';
import { dirname, join } from 'node:path';
import { CardwrightError } from '../../contract/cardwright-error.ts';

const inTheWay = (path: string, why: string) =>
  new CardwrightError('daemon.install-in-the-way', { facts: { path, why } });

/**
 * The folders that lead to a path below a root, the outermost first. Below a root other than `/` none of them may be a
 * symbolic link, since it could lead out of there.
 *
 * @throws CardwrightError `daemon.install-in-the-way`
 */
export function foldersTo(path: string, root: string): string[] {
  const folders: string[] = [];
  for (let folder = dirname(path); folder !== '/'; folder = dirname(folder)) folders.unshift(folder);
  for (const folder of folders) {
    const found = fs.lstatSync(join(root, folder), { throwIfNoEntry: false });
    if (!found) break;
    const isFolder = root === '/' ? fs.statSync(folder).isDirectory() : found.isDirectory();
    if (!isFolder) throw inTheWay(join(root, folder), 'is no folder');
  }
  return folders;
}

/**
 * The text of a file below a root; null where there is none.
 *
 * @throws CardwrightError `daemon.install-in-the-way` where it is no plain file
 */
export function readLaid(path: string, root: string): string | null {
  foldersTo(path, root);
  const place = join(root, path);
  const found = fs.lstatSync(place, { throwIfNoEntry: false });
  if (!found) return null;
  if (!found.isFile()) throw inTheWay(place, 'is no plain file');
  return fs.readFileSync(place, 'utf8');
}
