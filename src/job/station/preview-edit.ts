import type { ByteSource } from '../../contract/blocks.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { MechanismFacts } from '../../contract/identity.ts';
import type { ImageFacts } from '../../contract/image.ts';
import { settingsFiles } from '../../identity/boot-settings.ts';
import { detectMechanism, withoutVolume } from '../../identity/detect-mechanism.ts';
import { refuseUncarried } from '../../identity/refuse-uncarried.ts';
import { loadFat } from '../../volume/fat/load-fat.ts';
import { type BootVolume, openVolume } from '../../volume/open-volume.ts';
import { type EditForecast, foreseeEdit } from '../engine/foresee-edit.ts';
import { type NodeRequest, notYetWritten, orderEdit } from './order-edit.ts';
import { expectSeedRead, wishSeed, withEmptySeed } from './plan-seed.ts';
import { withImageBytes } from './read-image.ts';
import { sectorBytesOf } from './sector-bytes.ts';

/**
 * Opens the boot volume as it lies in the image, so that a plan which it cannot carry is refused before anything is
 * written.
 *
 * @throws CardwrightError `job.no-boot-volume`, `image.*`, `volume.*`
 */
export async function withImageVolume<T>(
  image: ImageFacts,
  nodeName: string,
  use: (volume: BootVolume) => T,
): Promise<T> {
  const boot = image.bootVolume;
  if (!boot)
    throw new CardwrightError('job.no-boot-volume', { card: 'untouched', facts: { node: nodeName } });
  await loadFat();
  const extent = { startByte: boot.startByte, sizeBytes: boot.sizeBytes, sectorBytes: sectorBytesOf(image) };
  const open = (source: ByteSource): T => {
    const volume = openVolume(source, extent);
    try {
      return use(volume);
    } finally {
      volume.close();
    }
  };
  return withImageBytes(image, boot.startByte + boot.sizeBytes, open);
}

/** How the image's own boot volume takes settings, and its kernel line or ''. */
export function lookAtOwn(
  image: ImageFacts,
  volume: BootVolume,
): { mechanism: MechanismFacts; kernelLine: string } {
  const mechanism = detectMechanism(volume, image.root ?? null);
  const hasLine = volume.stat(settingsFiles.cmdline)?.kind === 'file';
  const kernelLine = hasLine ? Buffer.from(volume.readFile(settingsFiles.cmdline)).toString('latin1') : '';
  return { mechanism, kernelLine };
}

/**
 * The volume that a node's files go into: the image's own, or the empty one that is to be made behind it.
 *
 * @throws CardwrightError `seed.*`, `job.no-boot-volume`, `image.*`, `volume.*`
 */
export async function withNodeVolume<T>(
  image: ImageFacts,
  request: NodeRequest,
  use: (volume: BootVolume) => T,
): Promise<T> {
  const { plan, node } = request;
  const wish = await wishSeed(image, plan);
  if (wish === null && !image.bootVolume) refuseWithoutVolume(image, request);
  if (wish === null) return withImageVolume(image, node.name, use);
  const own =
    image.bootVolume && (await withImageVolume(image, node.name, (volume) => lookAtOwn(image, volume)));
  expectSeedRead(image, own?.mechanism ?? null, own?.kernelLine ?? '');
  return withEmptySeed(wish, use);
}

/** With the way out that the image's root volume leaves. */
function refuseWithoutVolume(image: ImageFacts, { plan, node }: NodeRequest): never {
  const withHostKeys = plan.hostKeys === 'create';
  const root = image.root ?? null;
  const parts = { plan, node, mechanism: withoutVolume, withHostKeys, kernelLine: null, root };
  const [refusal] = refuseUncarried(parts);
  throw new CardwrightError(refusal?.code ?? 'job.no-boot-volume', {
    card: 'untouched',
    facts: refusal?.facts ?? { node: node.name },
  });
}

/**
 * What would become of the boot volume of a card from this image, were it this node's.
 *
 * @throws CardwrightError `job.no-boot-volume`, `identity.*` where the image's first boot cannot carry what the plan asks
 */
export async function foreseeOnImage(
  image: ImageFacts,
  request: NodeRequest,
  toolVersion: string,
): Promise<EditForecast> {
  return withNodeVolume(image, request, (volume) => {
    const order = orderEdit(request, {
      volume: image.bootVolume ?? { startByte: 0, sizeBytes: 0 },
      sectorBytes: sectorBytesOf(image),
      recordUuid: notYetWritten,
      imageSha256: image.packedSha256,
      root: image.root ?? null,
      toolVersion,
      nowMs: Date.now(),
      keepsHostKeys: false,
    });
    return foreseeEdit(volume, order);
  });
}
