import type { NodeFile } from '../contract/identity.ts';
import type { BootVolume } from '../volume/open-volume.ts';
import { copyImageFiles } from './image-files.ts';

export interface AppliedFiles {
  /** what was written: the node's files, and copies of the image's own that had to go */
  files: NodeFile[];
  /** paths that were there and were taken away */
  removed: string[];
  /** folders that were made, the outer ones first */
  folders: string[];
}

/**
 * Puts a node's files into a volume and takes others away: all of it or, on an error, nothing. What the image had at
 * these paths is kept in a folder of its own; all else stays as it is.
 *
 * @throws CardwrightError volume.*
 */
export function applyNodeFiles(
  volume: BootVolume,
  made: readonly NodeFile[],
  remove: readonly string[],
): AppliedFiles {
  return volume.atomically(() => {
    const copies = copyImageFiles(volume, [...made.map(({ path }) => path), ...remove]);
    const files = [...copies, ...made];
    const folders = foldersOf(files).filter((folder) => volume.stat(folder) === null);
    // Taking away comes first: it makes room.
    const removed = remove.filter((path) => volume.removeFile(path));
    for (const { path, content } of files) volume.writeFile(path, content);
    return { files, removed, folders };
  });
}

/** The folders above these files, each once, the outer ones first. */
function foldersOf(files: readonly NodeFile[]): string[] {
  const folders = new Map<string, string>();
  for (const { path } of files) {
    const names = path.split('/').slice(0, -1);
    names.forEach((_name, at) => {
      const folder = names.slice(0, at + 1).join('/');
      if (!folders.has(folder.toLowerCase())) folders.set(folder.toLowerCase(), folder);
    });
  }
  return [...folders.values()];
}
