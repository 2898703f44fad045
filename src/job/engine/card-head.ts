import { CardwrightError } from '../../contract/cardwright-error.ts';
import { mibBytes } from '../../contract/job.ts';
import { allocateAligned } from '../../media/aligned-memory.ts';
import type { Medium } from '../../media/medium.ts';
import { isAllZero } from './digest-map.ts';

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
  const at = buffer.findIndex((byte) => byte !== 0);
  if (at >= 0) throw new CardwrightError('job.head-not-zero', { facts: { offset: offset + at, length } });
}

/**
 * For a job that failed: sees whether the first MiB reads as zeros, and clears it once more where it does not (a card
 * that starts over at its real size has had something else written there). After a failed transfer the medium takes
 * no more writes, so then it is only looked at.
 *
 * @returns whether it read as zeros in the end
 * @throws CardwrightError `media.*`
 */
export async function settleHead(medium: Medium): Promise<boolean> {
  const head = allocateAligned(Math.min(mibBytes, medium.sizeBytes));
  const readsAsZeros = async () => {
    await medium.read(head.fill(0xa5), 0);
    return isAllZero(head);
  };
  if (await readsAsZeros()) return true;
  await medium.write(head.fill(0), 0);
  await medium.flush();
  return readsAsZeros();
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
  const at = back.findIndex((byte, index) => byte !== content[index]);
  if (at >= 0) {
    throw new CardwrightError('job.seal-not-read-back', {
      card: 'unconfirmed',
      facts: { offset: offset + at, length: content.length },
    });
  }
}

export function roundUp(bytes: number, unit: number): number {
  return Math.ceil(bytes / unit) * unit;
}
