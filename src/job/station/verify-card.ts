import type { CardState } from '../../contract/card-state.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { DamagedRange, DigestMap, ImageLayout } from '../../contract/job.ts';
import { describePort } from '../../devices/resolve-device.ts';
import type { Records, RecordView } from '../../records/record-types.ts';
import type { CardRead } from '../engine/read-card.ts';
import type { CardInReader } from '../supervisor/card-in-reader.ts';
import { settleImage, takeImage } from '../supervisor/image-in-hand.ts';
import type { RunningWorker } from '../supervisor/start-worker.ts';
import { stopInTime } from '../supervisor/stop-in-time.ts';
import { nextWorkerUser } from '../supervisor/worker-user.ts';
import { counterFinding, damageFacts, damageFindings } from '../verdict.ts';
import type { CheckedImage } from './check-image.ts';
import { finishedRecord, recordsOfCard, takeCardToRead, withWorker } from './read-card.ts';
import type { Station } from './survey-disks.ts';
import type { StationJob } from './take-card.ts';

export interface VerifyRequest {
  device: string;
  /** a record to compare with, whatever card it was; null: the one that speaks of this card */
  recordId: number | null;
  /** compare with this image instead of a record */
  image: CheckedImage | null;
}

export interface CardCheck {
  disk: Disk;
  read: CardRead;
  record: RecordView | null;
  verdict: 'good' | 'bad';
  bytesReadBack: number;
  sectorsRead: number | null;
  elapsedMs: number;
  damage: DamagedRange[];
  layout: ImageLayout;
  findings: Finding[];
  card: CardState;
  /** the record that this check turned from "unconfirmed" into "done" */
  settledRecord: number | null;
}

type VerifyJob = Pick<StationJob, 'port' | 'signal' | 'toolVersion'> & {
  station: Omit<Station, 'key'>;
  records: Records | null;
};

/**
 * Reads every byte of a card that was made earlier and compares it with its record, or with an image. Nothing is
 * written to the card; the record gets a line about the check.
 *
 * @throws CardwrightError `job.no-finished-record`, `job.record-without-map`, `media.*`, `job.cancelled`
 */
export async function verifyCardAgain(job: VerifyJob, request: VerifyRequest): Promise<CardCheck> {
  const { card, disk } = await takeCardToRead(job.station, request.device);
  try {
    const user = nextWorkerUser();
    const image = request.image && (await takeImage(request.image.facts, request.image.expectedSha256, user));
    try {
      return await withWorker(card, image, job.port, (worker) =>
        stopInTime(job.signal, worker, async () => {
          const read = await worker.call('readCard', {});
          if (!image)
            return check(job, worker, { disk, card, read, ...mapOfRecord(job, request, card, read) });
          const { map } = await worker.call('digestImage', { imageBytes: image.sizeBytes });
          await settleImage(image, null);
          return check(job, worker, { disk, card, read, map, record: null });
        }),
      );
    } finally {
      await image?.stream.close();
    }
  } finally {
    card.close();
  }
}

function mapOfRecord(job: VerifyJob, request: VerifyRequest, card: CardInReader, read: CardRead) {
  const { records } = job;
  const record =
    request.recordId === null
      ? finishedRecord(recordsOfCard(records, card, read))
      : (records?.readRecord(request.recordId) ?? null);
  if (!record && request.recordId !== null) {
    throw new CardwrightError('records.no-such-record', { facts: { record: request.recordId } });
  }
  if (!record || !records) {
    throw new CardwrightError('job.no-finished-record', { facts: { reader: describePort(card.identity) } });
  }
  const map = records.readDigestMap(record.id);
  if (!map)
    throw new CardwrightError('job.record-without-map', {
      facts: { record: record.id, state: record.state },
    });
  return { record, map };
}

interface CheckParts {
  disk: Disk;
  card: CardInReader;
  read: CardRead;
  map: DigestMap;
  record: RecordView | null;
}

async function check(job: VerifyJob, worker: RunningWorker, parts: CheckParts): Promise<CardCheck> {
  const { disk, card, read, map, record } = parts;
  const begun = Date.now();
  const answer = await worker.call('verify', { map, headIsOff: false, layout: read.layout });
  const counter = counterFinding(answer, card.counts, disk.node);
  const findings = [
    ...(answer.damage ? [finding('job.mismatch', 'fail', damageFacts(answer.damage))] : []),
    ...(answer.damage ? damageFindings(answer.damage) : []),
    ...(counter ? [counter] : []),
  ];
  const verdict = findings.some((found) => found.severity === 'fail') ? 'bad' : 'good';
  if (record) job.records?.addCheck(record.id, { verdict, bytesReadBack: answer.bytes, findings });
  const settles = record?.state === 'unconfirmed' && verdict === 'good';
  if (settles) job.records?.settleUnconfirmed(record.id);
  return {
    disk,
    read,
    record,
    verdict,
    bytesReadBack: answer.bytes,
    sectorsRead: answer.sectorsRead,
    elapsedMs: Date.now() - begun,
    damage: answer.damage?.ranges ?? [],
    layout: read.layout,
    findings,
    card: verdict === 'good' ? 'done' : 'damaged',
    settledRecord: settles ? record.id : null,
  };
}
