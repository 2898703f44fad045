import { CardwrightError } from '../../../contract/cardwright-error.ts';
import type { ImageFacts } from '../../../contract/image.ts';
import type { CheckedImage } from '../../../job/station/check-image.ts';
import { imageFacts } from '../../contract/image-form.ts';
import type { ImageOrder } from '../../contract/job-orders.ts';
import { openUpload } from './open-upload.ts';
import type { OrderDesk } from './order-desk.ts';

/** The sender's image as it was sent; its facts are believed, its bytes are looked for nowhere else. */
export async function withImage<T>(
  { parts, who }: OrderDesk,
  order: ImageOrder,
  use: (image: CheckedImage) => Promise<T>,
): Promise<T> {
  for (const sha256 of [order.expectedSha256, order.facts.packedSha256]) {
    if (sha256 === null || sha256 === order.upload) continue;
    throw new CardwrightError('daemon.bad-request', { facts: { why: 'the image has another SHA-256' } });
  }
  const upload = openUpload(parts.uploads, who.caller, order.upload);
  try {
    const { fileStamp: _sendersOwn, ...known } = imageFacts(order.facts);
    const facts: ImageFacts = { ...known, path: upload.path };
    return await use({ facts, expectedSha256: order.expectedSha256 });
  } catch (error) {
    throw named(error, upload.path, order.facts.path);
  } finally {
    upload.close();
  }
}

/** An error that names the image names it as its sender does. */
function named(error: unknown, path: string, sendersPath: string): unknown {
  if (!(error instanceof CardwrightError) || error.facts.path !== path) return error;
  const facts = { ...error.facts, path: sendersPath };
  const { code, card, findings } = error;
  return new CardwrightError(code, { facts, findings, cause: error, ...(card === null ? {} : { card }) });
}
