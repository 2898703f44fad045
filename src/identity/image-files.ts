import { CardwrightError } from '../contract/cardwright-error.ts';
import type { NodeFile } from '../contract/identity.ts';
import type { BootVolume } from '../volume/open-volume.ts';
import { identityFileName, readIdentityFile } from './identity-file.ts';

/**
 * Folder in the boot volume that keeps the image's own files which a node's took the place of, each under its own
 * path. By it another node starts from the image again and not from the node before it.
 */
export const keptFolder = 'cardwright.image';

const inKept = (path: string) => path.startsWith(`${keptFolder}/`);

/**
 * Takes away all that an earlier writing put into the volume and puts the image's own files back, by the list in
 * the identity file. Does nothing where there is no such file. Times, marks and clusters of the files may differ from
 * the image's afterwards.
 *
 * @returns the earlier node's files that were taken away
 * @throws CardwrightError `identity.cannot-take-off` where that file has no list that can be relied on
 */
export function takeNodeOff(volume: BootVolume): string[] {
  if (volume.stat(identityFileName) === null) return [];
  const file = readIdentityFile(volume.readFile(identityFileName));
  if (!file.ok) throw cannotTakeOff(file.reason);
  if (file.listing === null) throw cannotTakeOff('it is of format 1, which has no list of files');
  if (!file.isIntact) throw cannotTakeOff('its list was changed by hand');
  const { files, folders } = file.listing;
  const kept = files.map(({ path }) => path).filter(inKept);
  const own = files.map(({ path }) => path).filter((path) => !inKept(path));
  const originals = kept.flatMap((path) =>
    volume.stat(path) === null
      ? []
      : [{ path: path.slice(keptFolder.length + 1), content: volume.readFile(path) }],
  );
  const removed = own.filter((path) => volume.removeFile(path));
  for (const path of [identityFileName, ...kept]) volume.removeFile(path);
  for (const { path, content } of originals) volume.writeFile(path, content);
  for (const folder of [...folders].reverse()) volume.removeFolder(folder);
  return removed;
}

function cannotTakeOff(reason: string): CardwrightError {
  return new CardwrightError('identity.cannot-take-off', { facts: { file: identityFileName, reason } });
}

/** Copies of the files that stand at these paths now, for the folder that keeps them; secret, as anything of an image may be. */
export function copyImageFiles(volume: BootVolume, paths: readonly string[]): NodeFile[] {
  return paths.flatMap((path) => {
    const entry = volume.stat(path);
    if (entry?.kind !== 'file') return [];
    // FAT finds a file in any spelling; it comes back in its own.
    const own = [...path.split('/').slice(0, -1), entry.name].join('/');
    return [{ path: `${keptFolder}/${own}`, content: volume.readFile(path), secret: true }];
  });
}
