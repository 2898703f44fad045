import { createHash } from 'node:crypto';
import { mibBytes } from '../../contract/job.ts';
import type { Answer, SystemReader } from '../../contract/system-reader.ts';
import type { ContentDigests } from './approval-code.ts';

type BytesReader = Pick<SystemReader, 'readBytes'>;

async function digestAt(
  reader: BytesReader,
  node: string,
  offset: number,
  length: number,
): Promise<Answer<string>> {
  const answer = await reader.readBytes(node, offset, length);
  if (!answer.ok) return answer;
  if (answer.value.length !== length) {
    return { ok: false, why: `${answer.value.length} of ${length} bytes at ${offset}` };
  }
  return { ok: true, value: createHash('sha256').update(answer.value).digest('hex') };
}

/**
 * SHA-256 (FIPS 180-4) of the first and of the last MiB of a disk; of all of it twice where it is smaller than
 * that. Answers why when it cannot be had; a short read is a failure, for a digest of less would match too much.
 */
export async function digestContent(
  reader: BytesReader,
  node: string,
  sizeBytes: number,
): Promise<Answer<ContentDigests>> {
  if (!Number.isSafeInteger(sizeBytes) || sizeBytes <= 0) return { ok: false, why: 'no size' };
  const length = Math.min(mibBytes, sizeBytes);
  const head = await digestAt(reader, node, 0, length);
  if (!head.ok) return head;
  const tail = await digestAt(reader, node, sizeBytes - length, length);
  if (!tail.ok) return tail;
  return { ok: true, value: { headDigest: head.value, tailDigest: tail.value } };
}
