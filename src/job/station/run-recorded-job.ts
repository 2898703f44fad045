import { uptime } from 'node:os';
import type { ImageFacts } from '../../contract/image.ts';
import type { DigestMap, ImageLayout } from '../../contract/job.ts';
import type { NewJob, RecordView } from '../../records/record-types.ts';
import type { SeedOrder } from '../engine/add-seed.ts';
import type { EditOrder } from '../engine/edit-boot-volume.ts';
import type { CardInReader } from '../supervisor/card-in-reader.ts';
import type { ImageInHand } from '../supervisor/image-in-hand.ts';
import { logOfJob } from '../supervisor/job-log.ts';
import { type JobOutcome, runJob } from '../supervisor/run-job.ts';
import { nextWorkerUser } from '../supervisor/worker-user.ts';
import { keepAwake } from './keep-awake.ts';
import { kernelLines } from './kernel-log.ts';
import { type NodeRequest, orderEdit } from './order-edit.ts';
import { tapCurve } from './record-curve.ts';
import type { StationJob } from './take-card.ts';

/** A claimed card with what is to become of it. */
export interface PreparedJob {
  card: CardInReader;
  /** name of the disk in the kernel's log; null for a make-believe card */
  diskName: string | null;
  image: ImageInHand | null;
  facts: ImageFacts | null;
  finished: { map: DigestMap; record: RecordView } | null;
  layout: ImageLayout;
  seed: SeedOrder | null;
  edit: { request: NodeRequest; volume: EditOrder['volume'] } | null;
}

export interface RecordedOutcome extends JobOutcome {
  /** the first of the node's host keys */
  hostKeyFingerprint: string | null;
  hostKeyFingerprints: string[];
}

type JobParts = Pick<StationJob, 'records' | 'port' | 'signal' | 'toolVersion' | 'marks'>;

/**
 * Runs one job on a card that is already claimed, with a record of it from before the first byte to the end. The
 * claim stays with the caller.
 *
 * @param onRecord told the record's number before anything is written, for whoever reports a failure
 * @throws CardwrightError
 */
export async function runRecordedJob(
  job: JobParts,
  prepared: PreparedJob,
  onRecord: (recordId: number) => void,
): Promise<RecordedOutcome> {
  const { records } = job;
  const sinceSeconds = uptime();
  const recordId = records.beginJob(newJobOf(prepared, job));
  onRecord(recordId);
  const letSleep = keepAwake('a card is being written');
  const tap = tapCurve(job.port, Date.now);
  try {
    const edit = makeEdit(job, prepared, recordId);
    const outcome = await runJob({
      card: prepared.card,
      image: prepared.image,
      finished: prepared.finished && { map: prepared.finished.map, record: prepared.finished.record.id },
      layout: prepared.layout,
      seed: prepared.seed,
      unseenVolumes: unseenVolumes(prepared.facts),
      edit,
      user: nextWorkerUser(),
      log: logOfJob(records, recordId),
      port: tap.port,
      signal: job.signal,
    });
    const hostKeyFingerprints = (edit?.hostKeys ?? []).map(({ fingerprint }) => fingerprint);
    return { ...outcome, hostKeyFingerprint: hostKeyFingerprints[0] ?? null, hostKeyFingerprints };
  } finally {
    letSleep();
    records.saveCurve(recordId, tap.curve());
    if (prepared.diskName !== null) {
      records.addKernelLines(recordId, await kernelLines(prepared.diskName, sinceSeconds));
    }
  }
}

function makeEdit(
  { records, toolVersion }: JobParts,
  prepared: PreparedJob,
  recordId: number,
): EditOrder | null {
  if (!prepared.edit) return null;
  const { request, volume } = prepared.edit;
  const edit = orderEdit(request, {
    volume,
    sectorBytes: volume.sectorBytes,
    recordUuid: records.readRecord(recordId)?.uuid ?? '',
    imageSha256: prepared.facts?.packedSha256 ?? prepared.finished?.record.image?.packedSha256 ?? null,
    root: prepared.facts?.root ?? null,
    toolVersion,
    nowMs: Date.now(),
    keepsHostKeys: true,
  });
  records.saveIdentity(recordId, {
    hostNames: hostNamesOf(request),
    hostKeys: edit.hostKeys.map(({ publicLine, fingerprint }) => ({ publicKey: publicLine, fingerprint })),
    identityFileSha256: null,
  });
  return edit;
}

/** Under which a client may look for the node. */
function hostNamesOf({ plan, node }: NodeRequest): string[] {
  const { domain } = plan.network;
  const address = node.address?.split('/')[0];
  return [
    node.name,
    ...(domain === null ? [] : [`${node.name}.${domain}`]),
    ...(address === undefined ? [] : [address]),
  ];
}

function unseenVolumes(facts: ImageFacts | null): ImageFacts['volumes'] {
  const wasSeen = !facts?.findings.some((found) => found.code === 'image.hazards-not-looked-at');
  return facts && !wasSeen ? facts.volumes : [];
}

function newJobOf({ card, facts, finished, edit }: PreparedJob, { toolVersion, marks }: JobParts): NewJob {
  const image = facts && {
    path: facts.path,
    container: facts.container,
    packedSha256: facts.packedSha256,
    sizeBytes: facts.sizeBytes,
    digestMapRoot: null,
  };
  return {
    kind: finished ? 'personalize' : 'write',
    set: edit?.request.plan.set ?? null,
    node: edit?.request.node.name ?? null,
    card: card.identity,
    image: image ?? finished?.record.image ?? null,
    toolVersion,
    cardRecordUuid: finished?.record.uuid ?? null,
    ...marks,
  };
}
