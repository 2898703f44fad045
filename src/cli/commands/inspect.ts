import { resolve } from 'node:path';
import type { ExitStatus } from '../../contract/exit-status.ts';
import { exitStatus } from '../../contract/exit-status.ts';
import { hasSeverity } from '../../contract/finding.ts';
import type { MechanismFacts } from '../../contract/identity.ts';
import type { ImageFacts } from '../../contract/image.ts';
import { withoutVolume } from '../../identity/detect-mechanism.ts';
import type { SeedVolumeOutlook } from '../../identity/seed-place.ts';
import { inspectImage } from '../../image/inspect-image.ts';
import type { NodeRequest } from '../../job/station/order-edit.ts';
import { offerSeed, wishSeed } from '../../job/station/plan-seed.ts';
import { foreseeOnImage, lookAtOwn, withImageVolume } from '../../job/station/preview-edit.ts';
import { sectorBytesOf } from '../../job/station/sector-bytes.ts';
import type { Desk } from '../desk.ts';
import { type NodeOptions, nodeFromOptions } from '../plan-options.ts';
import { done } from '../run-command.ts';
import { forecastScreen, type ShownForecast, showForecast } from '../screens/edit-forecast-screen.ts';
import { inspectScreen } from '../screens/inspect-screen.ts';
import { toolVersion } from '../version.ts';

/** What is in an image file, and whether a node's files would find a way in. Reads only. */
export async function inspectCommand(desk: Desk, image: string, options: NodeOptions): Promise<ExitStatus> {
  const node = await nodeFromOptions(options, 'inspect');
  const facts = await inspectImage(resolve(image), { decode: 'always', signal: desk.signal });
  const isRejected = hasSeverity(facts.findings, 'refuse') || hasSeverity(facts.findings, 'fail');
  const { mechanism, seed } = isRejected ? { mechanism: null, seed: null } : await firstBootOf(facts);
  const forecast = node && !isRejected ? await forecastOf(facts, node) : null;
  desk.output.show('image', { ...facts, mechanism, seedVolume: seed, forecast }, (sheet) => [
    ...inspectScreen(facts, mechanism, sheet, seed),
    ...(forecast ? forecastScreen(forecast, sheet) : []),
  ]);
  return isRejected ? exitStatus.imageRejected : done;
}

async function forecastOf(facts: ImageFacts, request: NodeRequest): Promise<ShownForecast> {
  const forecast = await foreseeOnImage(facts, request, toolVersion);
  const isOnCard = (await wishSeed(facts, request.plan)) === null;
  return showForecast(forecast, request, { sectorBytes: sectorBytesOf(facts), isOnCard });
}

interface FirstBoot {
  mechanism: MechanismFacts;
  /** null where the image needs no seed volume, or nobody knows */
  seed: SeedVolumeOutlook | null;
}

async function firstBootOf(facts: ImageFacts): Promise<FirstBoot> {
  const { mechanism, kernelLine } = facts.bootVolume
    ? await withImageVolume(facts, '', (volume) => lookAtOwn(facts, volume))
    : { mechanism: withoutVolume, kernelLine: '' };
  return { mechanism, seed: await offerSeed(facts, mechanism, kernelLine) };
}
