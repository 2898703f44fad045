import type { CheckedImage } from './check-image.ts';
import { knowRoot } from './know-root.ts';
import type { NodeRequest } from './order-edit.ts';
import { wishSeed } from './plan-seed.ts';
import { foreseeOnImage } from './preview-edit.ts';
import type { StationJob } from './take-card.ts';
import {
  type JobBegun,
  type PreparedImage,
  type WriteRequest,
  type WrittenCard,
  writePreparedCard,
} from './write-card.ts';

/**
 * Looks through the image for what the node needs of it. A plan that its first boot cannot carry is refused before a
 * card is touched.
 *
 * @throws CardwrightError `image.*`, `identity.*`, `seed.*`, `volume.*`
 */
export async function prepareImage(
  job: Pick<StationJob, 'port' | 'signal' | 'toolVersion'>,
  { facts, expectedSha256 }: CheckedImage,
  node: NodeRequest | null,
): Promise<PreparedImage> {
  if (!node) return { image: { facts, expectedSha256 }, wish: null };
  const known = await knowRoot(facts, node.plan, job);
  await foreseeOnImage(known, node, job.toolVersion);
  return { image: { facts: known, expectedSha256 }, wish: await wishSeed(known, node.plan) };
}

/**
 * Looks through the image and writes it onto a card.
 *
 * @throws CardwrightError; the claim is given back then
 */
export async function writeCard(
  job: StationJob,
  request: WriteRequest,
  onBegun: JobBegun,
): Promise<WrittenCard> {
  const prepared = await prepareImage(job, request.image, request.node);
  return writePreparedCard(job, { ...request, ...prepared }, onBegun);
}
