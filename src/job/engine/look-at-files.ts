import { createHash } from 'node:crypto';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { identityFileName, readIdentityFile } from '../../identity/identity-file.ts';
import { compareFile, type FileState, type ListedFile } from '../../identity/listed-files.ts';
import type { Medium } from '../../media/medium.ts';
import { type BootVolume, openVolume } from '../../volume/open-volume.ts';
import type { Extent } from '../../volume/overlay.ts';
import { createPlainSource } from './card-source.ts';

/** What the identity file of a card lists, held against what is there. */
export interface FilesLook {
  /** of the identity file itself, lower-case hex */
  identitySha256: string;
  /** null in a file of format 1, which has no list */
  files: { path: string; state: FileState }[] | null;
}

/** A card of a stranger may list what it likes: no more than this is read of it all. */
const mostReadBytes = 64 * 2 ** 20;

/**
 * @param key of the keyed digests, from the card's record; null where there is none: secret files stay unproven then
 * @returns null where the volume has no identity file that makes sense
 */
export function lookAtFiles(medium: Medium, extent: Extent, key: Uint8Array | null): FilesLook | null {
  const volume = openVolume(createPlainSource(medium), extent);
  try {
    if (volume.stat(identityFileName) === null) return null;
    const bytes = volume.readFile(identityFileName);
    const parsed = readIdentityFile(bytes);
    if (!parsed.ok) return null;
    const identitySha256 = createHash('sha256').update(bytes).digest('hex');
    let left = mostReadBytes;
    const files = parsed.listing?.files.map((listed) => {
      left -= listed.sizeBytes;
      return { path: listed.path, state: left < 0 ? 'unproven' : stateOf(volume, listed, key) } as const;
    });
    return { identitySha256, files: files ?? null };
  } finally {
    volume.close();
  }
}

function stateOf(volume: BootVolume, listed: ListedFile, key: Uint8Array | null): FileState {
  try {
    const entry = volume.stat(listed.path);
    if (entry?.kind !== 'file') return 'gone';
    return entry.sizeBytes === listed.sizeBytes
      ? compareFile(listed, volume.readFile(listed.path), key)
      : 'changed';
  } catch (error) {
    if (!(error instanceof CardwrightError) || error.code.startsWith('media.')) throw error;
    // No name that a volume could have, or a chain that leads nowhere: nothing is known of this file.
    return 'unproven';
  }
}
