import type { CardState } from '../contract/card-state.ts';
import type { Code } from '../contract/catalogue/index.ts';
import type { CardIdentity } from '../contract/devices.ts';
import type { Finding } from '../contract/finding.ts';
import type { ContainerKind } from '../contract/image.ts';
import type { DigestMap, Phase } from '../contract/job.ts';

/** What a job sets out to do: write an image, or give a written card its node files anew. */
export type JobKind = 'write' | 'personalize';

/** How a job stands, as written. `interrupted` and `unconfirmed` get there through `settleInterrupted()`. */
export type StoredState =
  | 'running'
  | 'sealing'
  | 'done'
  | 'failed'
  | 'cancelled'
  | 'interrupted'
  | 'unconfirmed';

/** The process that answers for a job: enough to know later whether it is gone. */
export interface Owner {
  pid: number;
  /** clock ticks after boot, field 22 of /proc/PID/stat; null where it could not be read */
  startTicks: number | null;
  /** /proc/sys/kernel/random/boot_id; null where it could not be read */
  bootId: string | null;
  /** target of /proc/PID/ns/pid, e.g. "pid:[4026531836]"; null where it could not be read */
  pidNamespace: string | null;
}

export interface RecordedImage {
  path: string;
  container: ContainerKind;
  /** SHA-256 of the file as stored, lower-case hex; null where it was not computed */
  packedSha256: string | null;
  /** bytes that go onto the card; null while not known */
  sizeBytes: number | null;
  /** `digestMapRoot` of the image before any node file was put in; null while not known */
  digestMapRoot: string | null;
}

export interface NewJob {
  kind: JobKind;
  /** null for an image written without a plan */
  set: string | null;
  node: string | null;
  card: CardIdentity;
  image: RecordedImage | null;
  toolVersion: string;
  /** the batch it belongs to */
  batch?: number | null;
  /** the node's place in the rack, for the label */
  slot?: string | null;
  /** the record that the card itself named before the job, by its uuid: how a card without a CID is known again */
  cardRecordUuid?: string | null;
  /** a keyed digest of the node's settings for each area ("network", "access" …), hex: nothing secret */
  settings?: Readonly<Record<string, string>> | null;
}

/** One point of a job's way: bytes completed by then, milliseconds after the phase began. */
export interface CurvePoint {
  elapsedMs: number;
  doneBytes: number;
}

/** How fast one phase went. At most some hundred points, the last at its end. */
export interface PhaseCurve {
  phase: Phase;
  points: CurvePoint[];
}

export type BatchOutcome = 'done' | 'not-all-done' | 'cancelled' | 'failed';

export interface NewBatch {
  set: string;
  planPath: string;
  toolVersion: string;
  /** in the plan's order */
  nodes: readonly { name: string; slot: string | null }[];
}

/** The image as it was staged for a batch. */
export interface StagedImage {
  path: string;
  sizeBytes: number;
  elapsedMs: number;
  /** of the image before any node's files were put in */
  map: DigestMap;
}

/** One batch, as it stands now. Times are milliseconds since 1970 (UTC). */
export interface BatchView {
  id: number;
  set: string;
  planPath: string;
  toolVersion: string;
  /** in the plan's order, as the plan was then */
  nodes: { name: string; slot: string | null }[];
  begunAtMs: number;
  /** null while it runs, and where it was cut off */
  endedAtMs: number | null;
  /** `running`: its process lives; `interrupted`: it is gone without an end */
  state: BatchOutcome | 'running' | 'interrupted';
  /** null until it was staged; `mapRoot` finds the map by `readImageMap` */
  image: { path: string; sizeBytes: number; mapRoot: string; elapsedMs: number } | null;
  /** its jobs, in the order in which they began */
  recordIds: number[];
}

/** One card, with the records that speak of it, oldest first. */
export interface CardView {
  id: number;
  cid: string | null;
  serial: string | null;
  port: string | null;
  sizeBytes: number;
  firstSeenAtMs: number;
  recordIds: number[];
}

/** One set with its nodes in the plan's order, as the last batch saw it. */
export interface SetView {
  name: string;
  planPath: string | null;
  nodes: { name: string; slot: string | null }[];
}

/** What makes the node itself, as far as it may be stored: public halves and digests. */
export interface RecordedIdentity {
  /** under which clients find the node: its name, full name, address; the name first */
  hostNames: string[];
  hostKeys: RecordedHostKey[];
  /** SHA-256 over the identity file on the card, lower-case hex */
  identityFileSha256: string | null;
}

export interface RecordedHostKey {
  /** the public key line */
  publicKey: string;
  /** "SHA256:…" as the usual tools print it */
  fingerprint: string;
}

export interface WrittenIdentity {
  /** SHA-256 over the identity file, lower-case hex */
  sha256: string;
  /** stays in the store: it is no part of `RecordView` */
  filesKey: Uint8Array;
}

export interface RecordedPhase {
  phase: Phase;
  begunAtMs: number;
  /** null while it runs, or where it never ended */
  elapsedMs: number | null;
  bytes: number | null;
}

export type CheckVerdict = 'good' | 'bad' | 'unfinished';

export interface NewCheck {
  verdict: CheckVerdict;
  bytesReadBack: number;
  findings: readonly Finding[];
}

export interface RecordedCheck extends NewCheck {
  id: number;
  atMs: number;
}

export interface DoneFacts {
  bytesReadBack: number;
  /** 512-byte sectors that the kernel says were read; null where it does not count */
  sectorsRead: number | null;
}

/** One record, as it stands now. Times are milliseconds since 1970 (UTC). */
export interface RecordView {
  id: number;
  /** the short public id that goes onto the card (`newRecordUuid`) */
  uuid: string;
  kind: JobKind;
  set: string | null;
  node: string | null;
  card: CardIdentity;
  image: RecordedImage | null;
  toolVersion: string;
  /** an open job whose process is gone reads `interrupted`, or `unconfirmed` where it was sealing */
  state: StoredState;
  /** what the card is now, as far as the record can tell; null while the job runs */
  cardState: CardState | null;
  /** the catalogue code of a failed job */
  code: Code | null;
  begunAtMs: number;
  endedAtMs: number | null;
  /** the phase entered last */
  phase: Phase | null;
  phases: RecordedPhase[];
  findings: Finding[];
  checks: RecordedCheck[];
  bytesReadBack: number | null;
  sectorsRead: number | null;
  identity: RecordedIdentity;
  /** `digestMapRoot` of the card as it left us; the map itself comes from `readDigestMap` */
  cardMapRoot: string | null;
  kernelLines: string[];
  /** what `saveThroughput` was given, as it came back from JSON */
  throughput: unknown;
  /** the check that turned `unconfirmed` into `done`; null where the job itself did */
  settledByCheck: number | null;
  /** null for a job of its own */
  batch: number | null;
  slot: string | null;
  /** number of the card (`readCard`); null where it could not be told from any other */
  cardId: number | null;
  /** keyed digests of the node's settings by area; null where they were not kept */
  settings: Record<string, string> | null;
}

/** What reading the whole store gave. */
export interface StoreCheck {
  path: string;
  counts: { records: number; batches: number; cards: number; sets: number; maps: number };
  /** a sentence each; empty where all is as it was stored */
  problems: string[];
}

/** The whole store as plain data, for programs and for keeping. Fields are only ever added. */
export interface RecordsExport {
  format: 'cardwright-records';
  version: 1;
  sets: SetView[];
  batches: BatchView[];
  cards: CardView[];
  records: (RecordView & { curve: PhaseCurve[] })[];
}

export interface RecordFilter {
  set?: string;
  node?: string;
  batch?: number;
  states?: readonly StoredState[];
  /** at most so many, newest first */
  limit?: number;
}

export interface CardTraits {
  cid: string | null;
  serial: string | null;
  sizeBytes: number;
  port: string | null;
  /** the record uuid found on the card itself */
  identityUuid: string | null;
}

/**
 * How a record was recognized. `identity` and `cid` name this very card. `serial` may be the reader's serial and
 * `place` is only "same reader, same size": hints, never to be told as facts.
 */
export type MatchKind = 'identity' | 'cid' | 'serial' | 'place';

export interface CardMatch extends RecordView {
  matchedBy: MatchKind;
}

/** The record store. Every call is synchronous, one transaction, and on the disk when it returns. */
export interface Records {
  readonly path: string;
  beginJob(job: NewJob): number;
  /** call it before the phase begins: what it says must be on the disk when the first byte goes out */
  enterPhase(id: number, phase: Phase): void;
  endPhase(id: number, phase: Phase, result: { elapsedMs: number; bytes: number }): void;
  addFinding(id: number, finding: Finding): void;
  addKernelLines(id: number, lines: readonly string[]): void;
  saveImage(id: number, image: RecordedImage): void;
  saveIdentity(id: number, identity: RecordedIdentity): void;
  /** what was put onto the card: digest of its identity file, and the key of the keyed digests in it */
  saveIdentityFile(id: number, file: WrittenIdentity): void;
  /** plain JSON of the caller's own shape */
  saveThroughput(id: number, throughput: unknown): void;
  saveCurve(id: number, curve: readonly PhaseCurve[]): void;
  saveDigestMap(id: number, map: DigestMap): void;
  markSealing(id: number): void;
  markDone(id: number, facts: DoneFacts): void;
  markFailed(id: number, code: Code, card: CardState): void;
  markCancelled(id: number, card: CardState): void;
  addCheck(id: number, check: NewCheck): number;
  /** turns `unconfirmed` into `done` if the last check of the record is a good one */
  settleUnconfirmed(id: number): void;
  /** writes down what became of open jobs whose process is gone; gives those it settled */
  settleInterrupted(): RecordView[];
  readRecord(id: number): RecordView | null;
  readByUuid(uuid: string): RecordView | null;
  readDigestMap(id: number): DigestMap | null;
  /** null where the record has none, as one of an older version */
  readFilesKey(id: number): Uint8Array | null;
  /** newest first */
  listRecords(filter?: RecordFilter): RecordView[];
  /** newest first */
  findForCard(card: CardTraits): CardMatch[];
  /** begins a batch, and brings its set and nodes up to date; gives its number */
  beginBatch(batch: NewBatch): number;
  saveStagedImage(batch: number, image: StagedImage): void;
  endBatch(batch: number, outcome: BatchOutcome): void;
  readBatch(id: number): BatchView | null;
  /** newest first */
  listBatches(filter?: { set?: string; limit?: number }): BatchView[];
  /** write and verify, as far as they came; empty where none was kept. A plot's data */
  readCurve(id: number): PhaseCurve[];
  readCard(id: number): CardView | null;
  /** newest first */
  listCards(): CardView[];
  /** by name */
  listSets(): SetView[];
  /** by `BatchView.image.mapRoot` */
  readImageMap(root: string): DigestMap | null;
  /** reads everything; a damaged entry is a problem in the answer and no error */
  check(): StoreCheck;
  /** everything but the digest maps, newest first */
  exportAll(): RecordsExport;
  close(): void;
}
