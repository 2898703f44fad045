import { basename, resolve } from 'node:path';
import { marksOf } from '../../batch/bench/node-settings.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import type { OrderOfKind } from '../../daemon/contract/job-orders.ts';
import { checkImage } from '../../job/station/check-image.ts';
import { prepareImage, writeCard } from '../../job/station/prepare-image.ts';
import { layoutOf } from '../../job/station/take-card.ts';
import type { WriteRequest } from '../../job/station/write-card.ts';
import { createApprover } from '../ask-at-terminal.ts';
import type { Desk } from '../desk.ts';
import { type ChecksumOptions, imageRequest } from '../image-options.ts';
import { openStation } from '../open-station.ts';
import { type NodeOptions, nodeFromOptions } from '../plan-options.ts';
import { makeThroughDaemon } from '../remote/card-jobs.ts';
import type { DaemonClient } from '../remote/daemon-client.ts';
import { gatherNode, orderImage } from '../remote/job-orders.ts';
import { expectRoot } from '../run-command.ts';
import { findingLines } from '../screens/finding-lines.ts';
import { entry } from '../text/sheet.ts';
import { formatSize } from '../text/sizes.ts';
import { toolVersion } from '../version.ts';
import { isWatched, releaseHere, tellJob } from './job-end.ts';

export interface WriteOptions extends NodeOptions, ChecksumOptions {
  confirm?: string;
  unmount?: boolean;
}

/** One image onto one card: checks the image, shows the card, takes the approval, writes, reads back, seals. */
export async function writeCommand(
  desk: Desk,
  imagePath: string,
  device: string,
  options: WriteOptions,
): Promise<ExitStatus> {
  const { output, signal } = desk;
  const node = await nodeFromOptions(options, 'write');
  const path = resolve(imagePath);
  const daemon = await desk.daemon();
  if (!daemon) expectRoot();
  const image = await checkImage(imageRequest(path, options, node?.plan ?? null), signal);
  const { facts } = image;
  output.say(
    entry(output.sheet, 'image', [
      basename(path),
      `${formatSize(facts.packedBytes)} as stored`,
      `${formatSize(facts.sizeBytes ?? 0)} on the card`,
      image.expectedSha256 ? 'sha256 as expected' : 'no checksum was given',
    ]),
  );
  // What could not be looked into in a packed image is looked into on the card, and said then.
  const known = facts.findings.filter((found) => found.code !== 'image.hazards-not-looked-at');
  output.say(findingLines(output.sheet, known));
  const approver = createApprover(output, options.confirm ?? null, signal);
  const mayUnmount = options.unmount === true || node?.plan.unmount === 'yes';
  const request = { image, device, mayUnmount, node };
  const told = { node: node?.node ?? null, imagePath: path, layout: layoutOf(facts) };
  if (daemon) {
    const order = await writeOrder(desk, daemon, request, options.confirm ?? null);
    return tellJob(desk, told, (tellBegun) =>
      makeThroughDaemon(desk, daemon, order, { approver, tellBegun }),
    );
  }
  const key = await desk.key();
  const station = await openStation(desk, key);
  const marks = marksOf(key, node, facts);
  const job = { station, records: desk.records(), approver, port: output.events, signal, toolVersion, marks };
  return tellJob(desk, told, async (tellBegun) => {
    const written = await writeCard(job, request, ({ recordId, card }) =>
      tellBegun({ recordId, card: card.identity }),
    );
    return releaseHere(desk, written);
  });
}

/** Everything that the daemon needs for it: the image looked through and sent, the node with its files. */
async function writeOrder(
  desk: Desk,
  daemon: DaemonClient,
  { image, device, mayUnmount, node }: WriteRequest,
  confirm: string | null,
): Promise<OrderOfKind<'write'>> {
  const { signal, output } = desk;
  const { image: known, wish } = await prepareImage(
    { port: output.events, signal, toolVersion },
    image,
    node,
  );
  return {
    kind: 'write',
    device,
    mayUnmount,
    confirm,
    hold: isWatched(),
    image: await orderImage(desk, daemon, known, wish),
    node: node && gatherNode(node, true),
  };
}
