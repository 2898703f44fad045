import fs from 'node:fs';
import path from 'node:path';
import { run, sparseFile } from './recipes.ts';

/** A file's text by its path from the root, or where a link points. */
export type Tree = Record<string, string | { link: string }>;

/** A root volume with these files in `folder`, made by mke2fs. @returns its path */
export function makeRootVolume(
  folder: string,
  name: string,
  tree: Tree,
  program = 'mkfs.ext4',
  ...args: string[]
): string {
  const root = fs.mkdtempSync(path.join(folder, 'tree-'));
  const files: Tree = { 'etc/os-release': 'NAME=node\n', ...tree };
  for (const [file, content] of Object.entries(files)) {
    const target = path.join(root, file);
    fs.mkdirSync(path.dirname(target), { recursive: true });
    if (typeof content === 'string') fs.writeFileSync(target, content);
    else fs.symlinkSync(content.link, target);
  }
  const file = sparseFile(path.join(folder, name), 16 * 2 ** 20);
  run(program, ['-q', ...args, '-d', root, file]);
  return file;
}
