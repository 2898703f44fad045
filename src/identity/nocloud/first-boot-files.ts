import { isMap, type Node, type YAMLMap } from 'yaml';
import { isOwnEntry, marked, readList, writeList } from './own-items.ts';
import { bare, block, mapOf, quoted } from './yaml-text.ts';

/** One file that the node itself makes at its first boot. */
export interface FirstBootFile {
  /** absolute path on the node */
  path: string;
  content: Uint8Array;
  /** octal, "0644" */
  mode: string;
  /** "root:root" */
  owner: string;
}

/** The node's reader takes about a second for each MiB on a small computer, several times over (measured on PyYAML 6.0). */
export const mostFirstBootBytes = 2 ** 19;

/**
 * Must it wait until users are there? Files are made before them (cloud-init's stages: write_files in the first,
 * write_files_deferred in the last, before commands), and a home that is there already is not made the user's own.
 */
export function isDeferred({ path, owner }: Pick<FirstBootFile, 'path' | 'owner'>): boolean {
  return owner !== 'root:root' || path.startsWith('/home/');
}

/** Folders of a file that lie below somebody's home, the outer ones first. */
function foldersAtHome(path: string): string[] {
  const [home, user, ...names] = path.slice(1).split('/').slice(0, -1);
  if (home !== 'home' || user === undefined) return [];
  return names.map((_, at) => ['/home', user, ...names.slice(0, at + 1)].join('/'));
}

/**
 * Commands, for after the files are made, by which folders that were made for them at somebody's home become theirs:
 * they are root's (cloud-init 22.4.2, util.py, write_file), and nobody could write in their own ~/.config.
 */
export function homeCommands(files: readonly FirstBootFile[]): string[] {
  const owners = new Map<string, string>();
  for (const { path, owner } of files) {
    if (owner === 'root:root') continue;
    for (const folder of foldersAtHome(path)) if (!owners.has(folder)) owners.set(folder, owner);
  }
  return [...owners].map(([folder, owner]) => {
    const name = `'${folder.replaceAll("'", "'\\''")}'`;
    return `[ "$(stat -c %U ${name})" != root ] || chown -h ${owner} ${name}`;
  });
}

/** Base64 in lines of 76 (RFC 2045 section 6.8). */
function inBase64(content: Uint8Array): Node {
  const text = Buffer.from(content).toString('base64');
  return text === '' ? quoted('') : block(`${text.replace(/(.{76})(?=.)/g, '$1\n')}\n`);
}

function entryOf(file: FirstBootFile): YAMLMap {
  return mapOf({
    path: marked(quoted(file.path)),
    encoding: quoted('b64'),
    content: inBase64(file.content),
    owner: quoted(file.owner),
    permissions: quoted(file.mode.padStart(4, '0')),
    ...(isDeferred(file) ? { defer: bare(true) } : {}),
  });
}

/**
 * Puts files into `write_files` (cloud-init, module write_files) behind the image's own, of which those with the same
 * path go, as do those of a former writing.
 * @returns why that cannot be done, or what was replaced
 */
export function putFirstBootFiles(
  map: YAMLMap,
  files: readonly FirstBootFile[],
): { why: string } | { replaced: string[] } {
  const key = 'write_files';
  const list = readList(map, key);
  if (list === null) return files.length === 0 ? { replaced: [] } : { why: `its ${key} is not a list` };
  const paths = new Set(files.map(({ path }) => path));
  const pathOf = (item: unknown) => (isMap(item) ? String(item.get('path') ?? '') : '');
  const foreign = list.items.filter((item) => !isOwnEntry(item));
  const replaced = foreign.map(pathOf).filter((path) => paths.has(path));
  const kept = foreign.filter((item) => !paths.has(pathOf(item)));
  if (kept.length < list.items.length || files.length > 0) {
    writeList(map, key, list, [...kept, ...files.map(entryOf)]);
  }
  return { replaced: [...new Set(replaced)].map((path) => `${key}: ${path}`) };
}
