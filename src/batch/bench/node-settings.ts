import { createHmac } from 'node:crypto';
import { basename } from 'node:path';
import type { ImageFacts } from '../../contract/image.ts';
import type { NodeRequest } from '../../job/station/order-edit.ts';
import type { PlanMaterials } from '../../job/station/plan-materials.ts';

/** Keyed digests (hex) of a node's settings, one for each area of the plan. */
export type SettingsDigests = Record<string, string>;

type ImageKnown = Pick<ImageFacts, 'path' | 'packedSha256' | 'packedBytes' | 'sizeBytes'>;

/** JSON with the keys in their order, so that equal settings give equal text. */
function canonical(value: unknown): string {
  return JSON.stringify(value, (_, one: unknown) =>
    one !== null && typeof one === 'object' && !Array.isArray(one)
      ? Object.fromEntries(Object.entries(one).sort(([a], [b]) => (a < b ? -1 : 1)))
      : one,
  );
}

const withContent = <T extends { source: string }>(files: readonly T[], materials: PlanMaterials) =>
  files.map(({ source, ...rest }) => ({
    ...rest,
    content: materials.digestOf(source),
  }));

const imageSettings = ({ path, packedSha256, packedBytes, sizeBytes }: ImageKnown) => ({
  name: basename(path),
  packedSha256,
  packedBytes,
  sizeBytes,
});

/** The settings of one node by area, in the words in which a change is told. */
function areasOf({ plan, node, materials }: NodeRequest, image: ImageKnown | null): Record<string, unknown> {
  return {
    ...(image ? { image: imageSettings(image) } : {}),
    access: plan.access,
    'host keys': { hostKeys: plan.hostKeys, types: plan.hostKeyTypes },
    network: { ...plan.network, address: node.address, link: node.link },
    'clock and language': plan.system,
    'seed volume': plan.seedVolume,
    'slot, role and variables': { slot: node.slot, role: node.role, variables: node.variables },
    files: withContent(node.files, materials),
    'boot settings': node.boot,
    'first boot': { ...node.firstBoot, files: withContent(node.firstBoot.files, materials) },
  };
}

/**
 * What a record keeps of a node's settings, to say later which of them the plan has changed since: HMAC-SHA-256 with the
 * station's key, so that nothing can be guessed from a digest.
 *
 * @param image null where a card keeps the image that it has
 * @throws CardwrightError `usage.file-unreadable` for a file that the plan names
 */
export function digestSettings(
  key: Uint8Array,
  request: NodeRequest,
  image: ImageKnown | null,
): SettingsDigests {
  const digest = (area: string, value: unknown) =>
    createHmac('sha256', key)
      .update(`cardwright settings 1\n${area}\n${canonical(value)}`)
      .digest('hex');
  return Object.fromEntries(
    Object.entries(areasOf(request, image)).map(([area, value]) => [area, digest(area, value)]),
  );
}

/** What the record of a job of its own keeps of its node, as a batch's would. */
export function marksOf(
  key: Uint8Array,
  request: NodeRequest | null,
  image: ImageKnown | null,
): { slot: string | null; settings: SettingsDigests | null } {
  if (request === null) return { slot: null, settings: null };
  return { slot: request.node.slot, settings: digestSettings(key, request, image) };
}

/** The areas that differ. An area that an older record does not have is not known to differ. */
export function changedAreas(recorded: SettingsDigests | null, now: SettingsDigests): string[] {
  if (recorded === null) return [];
  return Object.keys(now).filter((area) => recorded[area] !== undefined && recorded[area] !== now[area]);
}
