import { marksOf } from '../../batch/bench/node-settings.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import { unpackForecast } from '../../daemon/contract/job-lines.ts';
import { foreseeOnCard } from '../../job/station/foresee-on-card.ts';
import type { NodeRequest } from '../../job/station/order-edit.ts';
import { personalizeCard } from '../../job/station/personalize-card.ts';
import { createApprover } from '../ask-at-terminal.ts';
import type { Desk } from '../desk.ts';
import { openStation } from '../open-station.ts';
import { type NodeOptions, nodeFromOptions } from '../plan-options.ts';
import { askThroughDaemon, makeThroughDaemon } from '../remote/card-jobs.ts';
import { gatherNode } from '../remote/job-orders.ts';
import { done, expectRoot } from '../run-command.ts';
import { forecastScreen, showForecast } from '../screens/edit-forecast-screen.ts';
import { findingLines } from '../screens/finding-lines.ts';
import { findingFields } from '../text/json-lines.ts';
import { entry } from '../text/sheet.ts';
import { toolVersion } from '../version.ts';
import { isWatched, releaseHere, tellJob } from './job-end.ts';

export interface PersonalizeOptions extends NodeOptions {
  confirm?: string;
  unmount?: boolean;
  dryRun?: boolean;
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
  const daemon = await desk.daemon();
  if (!daemon) expectRoot();
  if (options.dryRun) return foresee(desk, device, node);
  const approver = createApprover(output, options.confirm ?? null, signal);
  const mayUnmount = options.unmount === true || node.plan.unmount === 'yes';
  const told = { node: node.node, imagePath: '', layout: [] };
  if (daemon) {
    const confirm = options.confirm ?? null;
    const about = { device, mayUnmount, confirm, hold: isWatched(), node: gatherNode(node, true) };
    return tellJob(desk, told, (tellBegun) =>
      makeThroughDaemon(desk, daemon, { kind: 'personalize', ...about }, { approver, tellBegun }),
    );
  }
  const key = await desk.key();
  const station = await openStation(desk, key);
  const marks = marksOf(key, node, null);
  const job = { station, records: desk.records(), approver, port: output.events, signal, toolVersion, marks };
  return tellJob(desk, told, async (tellBegun) => {
    const written = await personalizeCard(job, { device, mayUnmount, node }, ({ recordId, card }) =>
      tellBegun({ recordId, card: card.identity }),
    );
    return releaseHere(desk, written);
  });
}

/** Shows what would change on the card, and changes nothing. */
async function foresee(desk: Desk, device: string, request: NodeRequest): Promise<ExitStatus> {
  const { output } = desk;
  const { disk, recordId, forecast } = await foreseeAnywhere(desk, device, request);
  const shown = showForecast(forecast, request, { sectorBytes: disk.logicalBlockBytes, isOnCard: true });
  const findings = forecast.findings.map(findingFields);
  output.show('forecast', { device: disk.node, recordId, ...shown, findings }, (sheet) => [
    ...entry(
      sheet,
      'dry run',
      [`nothing is written to ${disk.node}`, `what was read is as record ${recordId} has it`],
      {
        tone: 'care',
      },
    ),
    ...forecastScreen(shown, sheet),
    ...findingLines(sheet, forecast.findings),
  ]);
  return done;
}

async function foreseeAnywhere(desk: Desk, device: string, request: NodeRequest) {
  const daemon = await desk.daemon();
  if (daemon) {
    const order = { kind: 'foresee', device, node: gatherNode(request, false) } as const;
    const { forecast, ...about } = await askThroughDaemon(desk, daemon, order);
    return { ...about, forecast: unpackForecast(forecast) };
  }
  const station = await openStation(desk, null);
  const job = { station, records: desk.existingRecords(), port: desk.output.events, toolVersion };
  return foreseeOnCard(job, { device, request });
}
