import type { NodeFile } from '../contract/identity.ts';
import type { BootVolume } from '../volume/open-volume.ts';

/**
 * Puts a node's files into a volume and takes others away: all of it or, on an error, nothing. Files that the image
 * had and that are not named stay as they are.
 * @returns paths that were there and were taken away
 * @throws CardwrightError volume.*
 */
export function applyNodeFiles(
  volume: BootVolume,
  files: readonly NodeFile[],
  remove: readonly string[],
): string[] {
  return volume.atomically(() => {
    // Taking away comes first: it makes room.
    const removed = remove.filter((path) => volume.removeFile(path));
    for (const { path, content } of files) volume.writeFile(path, content);
    return removed;
  });
}
