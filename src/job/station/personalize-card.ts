import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Disk } from '../../contract/devices.ts';
import { describePort } from '../../devices/resolve-device.ts';
import type { CardInReader } from '../supervisor/card-in-reader.ts';
import type { NodeRequest } from './order-edit.ts';
import { finishedWithMap, recordsOfCard, withWorker } from './read-card.ts';
import { runRecordedJob } from './run-recorded-job.ts';
import { type StationJob, takeCard } from './take-card.ts';
import type { JobBegun, WrittenCard } from './write-card.ts';

export interface PersonalizeRequest {
  device: string;
  mayUnmount: boolean;
  node: NodeRequest;
}

/**
 * Gives a card that was written before to a node: compares it with its record, takes the head off, replaces the
 * node's files, reads everything back and seals it, in the same way as a new card.
 *
 * @throws CardwrightError; the claim is given back then
 */
export async function personalizeCard(
  job: StationJob,
  request: PersonalizeRequest,
  onBegun: JobBegun,
): Promise<WrittenCard> {
  const { card, disk } = await takeCard(job, { ...request, losesAll: false, seed: null }, null);
  try {
    return {
      card,
      disk,
      outcome: await personalizeTakenCard(job, { card, disk, node: request.node }, onBegun),
    };
  } catch (error) {
    card.close();
    throw error;
  }
}

async function personalizeTakenCard(
  job: StationJob,
  { card, disk, node }: { card: CardInReader; disk: Disk; node: NodeRequest },
  onBegun: JobBegun,
) {
  const read = await withWorker(card, null, job.port, (worker) => worker.call('readCard', {}));
  const matches = recordsOfCard(job.records, card, read);
  const { record, map } = finishedWithMap(job.records, matches, describePort(disk));
  if (!read.bootVolume) {
    throw new CardwrightError('job.no-boot-volume', { card: 'untouched', facts: { node: node.node.name } });
  }
  const volume = { ...read.bootVolume, sectorBytes: read.sectorBytes };
  return runRecordedJob(
    job,
    {
      card,
      diskName: disk.name,
      image: null,
      facts: null,
      finished: { map, record },
      layout: read.layout,
      seed: null,
      edit: { request: node, volume },
    },
    (recordId) => onBegun({ recordId, card }),
  );
}
