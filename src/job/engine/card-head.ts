import { CardwrightError } from '../../contract/cardwright-error.ts';
import { mibBytes } from '../../contract/job.ts';
import { allocateAligned } from '../../media/aligned-memory.ts';
import type { Medium } from '../../media/medium.ts';
import { isAllZero, isEqual } from './digest-map.ts';

/**
 * Clears the first MiB and the last MiB beyond the image (where a backup partition table would stand), flushes, and
 * reads both back as zeros: from here on neither the old system nor ours boots.
 * A crash inside leaves a card whose beginning is partly cleared.
 *
 * @param keepBytes bytes from the card's start that the image takes and that must not be cleared at the far end
 */
export async function takeHeadOff(medium: Medium, keepBytes: number): Promise<void> {
  const first = Math.min(mibBytes, medium.sizeBytes);
  const tailStart = Math.max(first, roundUp(keepBytes, medium.blockBytes), medium.sizeBytes - mibBytes);
  const zeros = allocateAligned(mibBytes);
  await medium.write(zeros.subarray(0, first), 0);
  if (tailStart < medium.sizeBytes)
    await medium.write(zeros.subarray(0, medium.sizeBytes - tailStart), tailStart);
  await medium.flush();
  await expectZeros(medium, 0, first);
  if (tailStart < medium.sizeBytes) await expectZeros(medium, tailStart, medium.sizeBytes - tailStart);
}

/** Reads a stretch from the medium and throws `job.head-not-zero` unless it is all zeros. At most one MiB. */
export async function expectZeros(medium: Medium, offset: number, length: number): Promise<void> {
  const buffer = allocateAligned(length).fill(0xa5);
  await medium.read(buffer, offset);
  if (!isAllZero(buffer)) {
    throw new CardwrightError('job.head-not-zero', { card: 'unbootable', facts: { offset, length } });
  }
}

/** Writes the held-back head without its first block, and reads it back. Nothing to do where the head is one block. */
export async function sealBody(medium: Medium, head: Uint8Array): Promise<void> {
  if (head.length > medium.blockBytes)
    await writeAndCompare(medium, head.subarray(medium.blockBytes), medium.blockBytes);
}

/** Writes the first block, the one that makes the card bootable, and reads it back. */
export async function sealFirstBlock(medium: Medium, head: Uint8Array): Promise<void> {
  await writeAndCompare(medium, head.subarray(0, medium.blockBytes), 0);
}

async function writeAndCompare(medium: Medium, content: Uint8Array, offset: number): Promise<void> {
  const source = allocateAligned(content.length);
  source.set(content);
  await medium.write(source, offset);
  await medium.flush();
  const back = allocateAligned(content.length).fill(0xa5);
  await medium.read(back, offset);
  if (!isEqual(back, content)) {
    throw new CardwrightError('job.seal-not-read-back', {
      card: 'unconfirmed',
      facts: { offset, length: content.length },
    });
  }
}

export function roundUp(bytes: number, unit: number): number {
  return Math.ceil(bytes / unit) * unit;
}
