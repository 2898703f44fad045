import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { EventPort } from '../../contract/events.ts';
import type { Finding } from '../../contract/finding.ts';
import type { MechanismFacts } from '../../contract/identity.ts';
import type { ImageFacts } from '../../contract/image.ts';
import type { Plan } from '../../contract/plan.ts';
import { detectMechanism, withoutVolume } from '../../identity/detect-mechanism.ts';
import { refuseUncarried } from '../../identity/refuse-uncarried.ts';
import { inspectImage, requireWritableImage } from '../../image/inspect-image.ts';
import { knowRoot } from './know-root.ts';
import { materialsOnDisk } from './materials-on-disk.ts';
import { bytesForSeed } from './place-seed.ts';
import { wishSeed } from './plan-seed.ts';
import { withNodeVolume } from './preview-edit.ts';

interface FirstBoot {
  mechanism: MechanismFacts;
  kernelLine: string | null;
}

async function firstBootOf(image: ImageFacts, plan: Plan): Promise<FirstBoot> {
  const [node] = plan.nodes;
  if (!node || (!image.bootVolume && plan.seedVolume === 'none')) {
    return { mechanism: withoutVolume, kernelLine: null };
  }
  return withNodeVolume(image, { plan, node, materials: materialsOnDisk }, (volume) => ({
    mechanism: detectMechanism(volume, image.root ?? null),
    kernelLine:
      volume.stat('cmdline.txt')?.kind === 'file'
        ? Buffer.from(volume.readFile('cmdline.txt')).toString('utf8')
        : null,
  }));
}

/** What is known of the plan's image once it was looked at. */
export interface PlanImageLook {
  image: ImageFacts;
  /** how it takes first-boot settings: its own boot volume, or the seed volume that the plan wants */
  mechanism: MechanismFacts;
  /** what the smallest card must have, with the seed volume where there is one; null while the size is not known */
  leastCardBytes: number | null;
}

/**
 * Sees whether the plan's own image can carry what the plan asks for each of its nodes: in its boot volume, or in a seed
 * volume behind it where the plan wants one.
 *
 * @returns what the image is; null where the plan names none
 * @throws CardwrightError `image.*`; `seed.*`; `identity.*` of the first node that it cannot carry, with a finding for each
 */
export async function checkPlanImage(
  plan: Plan,
  job: { port: EventPort; signal: AbortSignal },
): Promise<PlanImageLook | null> {
  if (plan.image === null) return null;
  const seen = await inspectImage(plan.image.file, { decode: 'when-needed', signal: job.signal });
  requireWritableImage(seen);
  const seed = await wishSeed(seen, plan);
  const leastCardBytes = seen.sizeBytes === null ? null : seen.sizeBytes + (seed ? bytesForSeed(seed) : 0);
  const image = await knowRoot(seen, plan, job);
  const { mechanism, kernelLine } = await firstBootOf(image, plan);
  const withHostKeys = plan.hostKeys === 'create';
  const root = image.root ?? null;
  const findings: Finding[] = plan.nodes.flatMap((node) =>
    refuseUncarried({ plan, node, mechanism, withHostKeys, kernelLine, root }).map((found) => ({
      ...found,
      facts: { ...found.facts, node: node.name },
    })),
  );
  const [first] = findings;
  if (first) throw new CardwrightError(first.code, { facts: first.facts, findings });
  return { image, mechanism, leastCardBytes };
}
