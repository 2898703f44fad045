import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import { personalizeCard } from '../../job/station/personalize-card.ts';
import { createApprover } from '../ask-at-terminal.ts';
import type { Desk } from '../desk.ts';
import { openStation } from '../open-station.ts';
import { type NodeOptions, nodeFromOptions } from '../plan-options.ts';
import { expectRoot } from '../run-command.ts';
import { toolVersion } from '../version.ts';
import { tellJob } from './job-end.ts';

export interface PersonalizeOptions extends NodeOptions {
  confirm?: string;
  unmount?: boolean;
}

/** Gives a card that was written before to a node. */
export async function personalizeCommand(
  desk: Desk,
  device: string,
  options: PersonalizeOptions,
): Promise<ExitStatus> {
  const { output, signal } = desk;
  const node = await nodeFromOptions(options, 'personalize');
  if (!node) {
    const facts = { argument: '--plan FILE and --node NAME', command: 'personalize' };
    throw new CardwrightError('usage.missing-argument', { facts });
  }
  expectRoot();
  const station = await openStation(desk, await desk.key());
  const approver = createApprover(output, options.confirm ?? null, signal);
  const job = { station, records: desk.records(), approver, port: output.events, signal, toolVersion };
  const mayUnmount = options.unmount === true || node.plan.unmount === 'yes';
  return tellJob(desk, { node: node.node, imagePath: '', layout: [] }, (onBegun) =>
    personalizeCard(job, { device, mayUnmount, node }, onBegun),
  );
}
