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
  return withNodeVolume(image, { plan, node }, (volume) => ({
    mechanism: detectMechanism(volume, image.root ?? null),
    kernelLine:
      volume.stat('cmdline.txt')?.kind === 'file'
        ? Buffer.from(volume.readFile('cmdline.txt')).toString('utf8')
        : null,
  }));
}

/**
 * Sees whether the plan's own image can carry what the plan asks for each of its nodes: in its boot volume, or in a seed
 * volume behind it where the plan wants one. A plan that names no image is not judged.
 *
 * @throws CardwrightError `image.*`; `seed.*`; `identity.*` of the first node that it cannot carry, with a finding for each
 */
export async function checkPlanImage(
  plan: Plan,
  job: { port: EventPort; signal: AbortSignal },
): Promise<void> {
  if (plan.image === null) return;
  const seen = await inspectImage(plan.image.file, { decode: 'when-needed', signal: job.signal });
  requireWritableImage(seen);
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
}
