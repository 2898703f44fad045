import { createHash } from 'node:crypto';
import type { ByteSource } from '../../contract/blocks.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { identityFileName, readIdentityFile } from '../../identity/identity-file.ts';
import { compareFile, type FileState, type ListedFile } from '../../identity/listed-files.ts';
import { type BootVolume, openVolume } from '../../volume/open-volume.ts';
import type { Extent } from '../../volume/overlay.ts';

/** How the files of a card stand to what its identity file says of them. */
export interface FilesLook {
  /** of the identity file as it is on the card, lower-case hex */
  identitySha256: string;
  /** is its last line the digest of the others? null in format 1, which had no such line */
  isIntact: boolean | null;
  /** null where the file lists none (format 1) */
  files: { path: string; state: FileState }[] | null;
}

/**
 * Compares the files that a card's identity file lists with what is there. Bounded: no more is read than the volume
 * holds, however often the list names a file.
 *
 * @param key of the keyed digests, from the record; null where it is not here
 * @returns null where there is no identity file that makes sense
 * @throws CardwrightError `volume.*`, `media.*`
 */
export function lookAtFiles(source: ByteSource, extent: Extent, key: Uint8Array | null): FilesLook | null {
  const volume = openVolume(source, extent);
  try {
    if (volume.stat(identityFileName) === null) return null;
    const bytes = volume.readFile(identityFileName);
    const read = readIdentityFile(bytes);
    if (!read.ok) return null;
    const identitySha256 = createHash('sha256').update(bytes).digest('hex');
    const files = read.listing ? compareAll(volume, read.listing.files, extent.sizeBytes, key) : null;
    return { identitySha256, isIntact: read.isIntact, files };
  } finally {
    volume.close();
  }
}

function compareAll(
  volume: BootVolume,
  listed: readonly ListedFile[],
  mostBytes: number,
  key: Uint8Array | null,
): { path: string; state: FileState }[] {
  let leftBytes = mostBytes;
  return listed.map((file) => {
    leftBytes -= file.sizeBytes;
    return { path: file.path, state: leftBytes < 0 ? 'unproven' : stateOf(volume, file, key) };
  });
}

function stateOf(volume: BootVolume, listed: ListedFile, key: Uint8Array | null): FileState {
  try {
    const entry = volume.stat(listed.path);
    if (entry === null) return 'gone';
    if (entry.sizeBytes !== listed.sizeBytes) return 'changed';
    return compareFile(listed, volume.readFile(listed.path), key);
  } catch (error) {
    if (!(error instanceof CardwrightError) || error.code.startsWith('media.')) throw error;
    // A path that is now a folder, or clusters that lead nowhere: not what was written.
    return 'changed';
  }
}
