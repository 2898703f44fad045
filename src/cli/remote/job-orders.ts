import type { ImageOrder, NodeForm } from '../../daemon/contract/job-orders.ts';
import type { CheckedImage } from '../../job/station/check-image.ts';
import type { NodeRequest } from '../../job/station/order-edit.ts';
import type { SeedWish } from '../../job/station/place-seed.ts';
import { contentKey } from '../../job/station/plan-materials.ts';
import type { Desk } from '../desk.ts';
import { progressLine } from '../screens/progress-line.ts';
import type { DaemonClient } from './daemon-client.ts';
import { sendImage } from './send-image.ts';

/**
 * A node with all that its plan only names, read by us: contents of files with templates filled in, and host keys from
 * the plan's folder.
 *
 * @param keeps see `PlanMaterials`
 * @throws CardwrightError `usage.file-unreadable`, `plan.bad-template`, `identity.host-key-unusable`
 */
export function gatherNode({ plan, node, materials }: NodeRequest, keeps: boolean): NodeForm {
  const files = [...node.files, ...node.firstBoot.files];
  const contents = files.map((file) => [contentKey(file), materials.contentOf(file, plan, node)] as const);
  return {
    // Other nodes of the set are none of this job's.
    plan: { ...plan, nodes: [node] },
    node: node.name,
    materials: {
      digests: Object.fromEntries(files.map(({ source }) => [source, materials.digestOf(source)])),
      contents: Object.fromEntries(
        contents.map(([key, bytes]) => [key, Buffer.from(bytes).toString('base64')]),
      ),
      hostKeys: materials.hostKeys(plan, node, keeps),
    },
  };
}

/** Sends the image, with a line about it at a terminal, and gives what an order says of it. */
export async function orderImage(
  { output, signal }: Desk,
  daemon: DaemonClient,
  image: CheckedImage,
  wish: SeedWish | null,
): Promise<ImageOrder> {
  const begunAtMs = Date.now();
  const upload = await sendImage(daemon, image, signal, (doneBytes, totalBytes) => {
    const bytesPerSecond = (doneBytes * 1000) / Math.max(1, Date.now() - begunAtMs);
    const secondsLeft = (totalBytes - doneBytes) / bytesPerSecond;
    const progress = {
      doneBytes,
      totalBytes,
      bytesPerSecond,
      meanBytesPerSecond: bytesPerSecond,
      secondsLeft,
    };
    output.redraw((sheet) => [progressLine({ type: 'progress', phase: 'image', ...progress }, sheet)]);
  });
  output.settle();
  return { upload, facts: image.facts, expectedSha256: image.expectedSha256, wish };
}
