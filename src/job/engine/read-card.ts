import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { ImageVolume } from '../../contract/image.ts';
import type { ImageLayout } from '../../contract/job.ts';
import { identityFileName, type NodeIdentity, readIdentityFile } from '../../identity/identity-file.ts';
import { examineLayout } from '../../image/examine-layout.ts';
import type { Medium } from '../../media/medium.ts';
import { openVolume } from '../../volume/open-volume.ts';
import { createPlainSource } from './card-source.ts';

/** What a card says of itself. */
export interface CardRead {
  layout: ImageLayout;
  sectorBytes: number;
  bootVolume: ImageVolume | null;
  /** our identity file, where there is one that makes sense */
  identity: NodeIdentity | null;
  findings: Finding[];
}

/** Reads partitions, the boot volume and our identity file. Whatever stands on the card, it answers in bounded time. */
export function readCard(medium: Medium): CardRead {
  const source = createPlainSource(medium);
  const { table, bootVolume, findings } = examineLayout(source, { withBackup: false, isWhole: true });
  const layout = (table?.partitions ?? []).map(({ number, startByte, sizeBytes }) => ({
    number,
    startByte,
    sizeBytes,
  }));
  const sectorBytes = table?.sectorBytes ?? 512;
  // A card is larger than its image and may have been started: what an image must not have is no fault here.
  const notes = findings.map((found) => ({ ...found, severity: 'note' as const }));
  if (!bootVolume) return { layout, sectorBytes, bootVolume, identity: null, findings: notes };
  const extent = { startByte: bootVolume.startByte, sizeBytes: bootVolume.sizeBytes, sectorBytes };
  const { identity, problem } = readIdentity(() => openVolume(source, extent));
  return { layout, sectorBytes, bootVolume, identity, findings: problem ? [...notes, problem] : notes };
}

function readIdentity(open: () => ReturnType<typeof openVolume>): {
  identity: NodeIdentity | null;
  problem: Finding | null;
} {
  try {
    const volume = open();
    try {
      if (volume.stat(identityFileName) === null) return { identity: null, problem: null };
      const parsed = readIdentityFile(volume.readFile(identityFileName));
      if (parsed.ok) return { identity: parsed.identity, problem: null };
      return {
        identity: null,
        problem: finding('identity.file-unreadable', 'note', { reason: parsed.reason }),
      };
    } finally {
      volume.close();
    }
  } catch (error) {
    if (!(error instanceof CardwrightError) || error.code.startsWith('media.')) throw error;
    // Another owner's card may have a broken volume: that is worth saying, and no reason to stop.
    return { identity: null, problem: finding(error.code, 'note', error.facts) };
  }
}
