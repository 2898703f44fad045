import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { EventPort } from '../../contract/events.ts';
import type { ImageFacts } from '../../contract/image.ts';
import type { Plan } from '../../contract/plan.ts';
import { isLabel } from '../../identity/seed-place.ts';
import { inspectImage } from '../../image/inspect-image.ts';
import { lookByKinds } from '../../image/root/read-root.ts';

/**
 * Does it take the root volume to say whether this plan can be carried? A boot volume labelled as NoCloud looks for it
 * by itself speaks for itself, unless the plan asks for what depends on programs in the root volume.
 */
function rootDecides({ bootVolume }: ImageFacts, { network, seedVolume }: Plan): boolean {
  return !isLabel(bootVolume?.label ?? null, 'cidata') || network.wifi !== null || seedVolume !== 'none';
}

/**
 * The image with what its root volume says about the first boot. A packed one is unpacked as a whole for that, into a
 * temporary file, and only where it decides; otherwise it is looked at on the card.
 *
 * @throws CardwrightError `image.*`
 */
export async function knowRoot(
  image: ImageFacts,
  plan: Plan,
  { port, signal }: { port: EventPort; signal: AbortSignal },
): Promise<ImageFacts> {
  if (image.root || !rootDecides(image, plan)) return image;
  const known = lookByKinds(image.volumes);
  if (known) return { ...image, root: known };
  // On a large image this takes a while, and nothing else is seen meanwhile.
  port.emit({ type: 'say', topic: 'image', text: 'unpacked once beforehand, since its root volume decides' });
  const whole = await inspectImage(image.path, { decode: 'always', signal });
  if (whole.fileStamp !== image.fileStamp) {
    throw new CardwrightError('image.changed', { card: 'untouched', facts: { path: image.path } });
  }
  return { ...image, root: whole.root ?? { state: 'unread', why: 'the unpacked image could not be kept' } };
}
