import type { CardState } from '../contract/card-state.ts';
import type { Code } from '../contract/catalogue/index.ts';
import type { CardIdentity } from '../contract/devices.ts';
import type { ContainerKind } from '../contract/image.ts';
import type { DigestMap } from '../contract/job.ts';
import { cardAfterCut } from './card-after-cut.ts';
import { matchCard, normalizeCid } from './match-card.ts';
import { settledState } from './owner.ts';
import {
  type OwnerRow,
  ownerFrom,
  parseStored,
  readChecks,
  readFindings,
  readHostKeys,
  readKernelLines,
  readPhases,
} from './read-rows.ts';
import type {
  CardMatch,
  CardTraits,
  JobKind,
  RecordedImage,
  RecordFilter,
  RecordView,
  StoredState,
} from './record-types.ts';
import { look, type Store } from './store.ts';
import { unpackMap } from './unpack-map.ts';

interface JobRow extends OwnerRow {
  id: number;
  uuid: string;
  kind: JobKind;
  set_name: string | null;
  node: string | null;
  tool_version: string;
  state: StoredState;
  card_state: CardState | null;
  code: Code | null;
  begun_at_ms: number;
  ended_at_ms: number | null;
  card: string;
  card_cid: string | null;
  card_serial: string | null;
  card_port: string | null;
  card_size_bytes: number;
  image_path: string | null;
  image_container: ContainerKind | null;
  image_packed_sha256: string | null;
  image_size_bytes: number | null;
  image_map_root: string | null;
  bytes_read_back: number | null;
  sectors_read: number | null;
  host_names: string | null;
  identity_file_sha256: string | null;
  throughput: string | null;
  settled_by_check: number | null;
  map_root: string | null;
  batch: number | null;
  slot: string | null;
  card_id: number | null;
  settings: string | null;
}

const selectJobs =
  'SELECT jobs.*, digest_maps.root AS map_root FROM jobs LEFT JOIN digest_maps ON job = jobs.id';

function imageFrom(row: JobRow): RecordedImage | null {
  if (row.image_path === null || row.image_container === null) return null;
  return {
    path: row.image_path,
    container: row.image_container,
    packedSha256: row.image_packed_sha256,
    sizeBytes: row.image_size_bytes,
    digestMapRoot: row.image_map_root,
  };
}

/** Records of the first layout did not keep the names: the node's own is one. */
function hostNamesFrom(store: Store, row: JobRow): string[] {
  if (row.host_names !== null) return parseStored<string[]>(store, row.host_names);
  return row.node === null ? [] : [row.node];
}

function standing(
  store: Store,
  row: JobRow,
  phases: RecordView['phases'],
): Pick<RecordView, 'state' | 'cardState'> {
  const isOpen = row.state === 'running' || row.state === 'sealing';
  if (!isOpen || !store.isGone(ownerFrom(row))) return { state: row.state, cardState: row.card_state };
  return { state: settledState(row.state, true), cardState: cardAfterCut(row.state, phases) };
}

function viewFrom(store: Store, row: JobRow): RecordView {
  const phases = readPhases(store, row.id);
  return {
    id: row.id,
    uuid: row.uuid,
    kind: row.kind,
    set: row.set_name,
    node: row.node,
    card: parseStored<CardIdentity>(store, row.card),
    image: imageFrom(row),
    toolVersion: row.tool_version,
    ...standing(store, row, phases),
    code: row.code,
    begunAtMs: row.begun_at_ms,
    endedAtMs: row.ended_at_ms,
    phase: phases.at(-1)?.phase ?? null,
    phases,
    findings: readFindings(store, row.id, null),
    checks: readChecks(store, row.id),
    bytesReadBack: row.bytes_read_back,
    sectorsRead: row.sectors_read,
    identity: {
      hostNames: hostNamesFrom(store, row),
      hostKeys: readHostKeys(store, row.id),
      identityFileSha256: row.identity_file_sha256,
    },
    cardMapRoot: row.map_root,
    kernelLines: readKernelLines(store, row.id),
    throughput: row.throughput === null ? null : parseStored<unknown>(store, row.throughput),
    settledByCheck: row.settled_by_check,
    batch: row.batch,
    slot: row.slot,
    cardId: row.card_id,
    settings: row.settings === null ? null : parseStored<Record<string, string>>(store, row.settings),
  };
}

export function readRecord(store: Store, id: number): RecordView | null {
  return look(store, () => {
    const row = store.db.prepare<[number], JobRow>(`${selectJobs} WHERE jobs.id = ?`).get(id);
    return row === undefined ? null : viewFrom(store, row);
  });
}

export function readByUuid(store: Store, uuid: string): RecordView | null {
  return look(store, () => {
    const row = store.db.prepare<[string], JobRow>(`${selectJobs} WHERE uuid = ?`).get(uuid);
    return row === undefined ? null : viewFrom(store, row);
  });
}

/** By the index of open jobs: a store of many years is not read through for them. */
const openOnly = "AND state IN ('running', 'sealing')";

export function listRecords(store: Store, filter: RecordFilter = {}): RecordView[] {
  const isOpenOnly = filter.states?.every((state) => state === 'running' || state === 'sealing') ?? false;
  return look(store, () => {
    const rows = store.db
      .prepare<[Record<string, string | number | null>], JobRow>(
        `${selectJobs} WHERE (@set IS NULL OR set_name = @set) AND (@node IS NULL OR node = @node)
          AND (@batch IS NULL OR batch = @batch)
          ${isOpenOnly ? openOnly : ''} ORDER BY jobs.id DESC`,
      )
      .iterate({ set: filter.set ?? null, node: filter.node ?? null, batch: filter.batch ?? null });
    const found: RecordView[] = [];
    for (const row of rows) {
      if (found.length >= (filter.limit ?? Number.POSITIVE_INFINITY)) break;
      const view = viewFrom(store, row);
      if (filter.states?.includes(view.state) ?? true) found.push(view);
    }
    return found;
  });
}

/** Records that may be about this card, newest first, each with what it was recognized by. */
export function findForCard(store: Store, card: CardTraits): CardMatch[] {
  return look(store, () => {
    const rows = store.db
      .prepare<[string | null, string | null, number], JobRow>(
        `${selectJobs} WHERE uuid = ? OR card_cid = ? OR card_size_bytes = ? ORDER BY jobs.id DESC`,
      )
      .all(card.identityUuid, normalizeCid(card.cid), card.sizeBytes);
    return rows.flatMap((row) => {
      const matchedBy = matchCard(card, {
        uuid: row.uuid,
        cid: row.card_cid,
        serial: row.card_serial,
        port: row.card_port,
        sizeBytes: row.card_size_bytes,
      });
      return matchedBy === null ? [] : [{ ...viewFrom(store, row), matchedBy }];
    });
  });
}

export function readFilesKey(store: Store, id: number): Uint8Array | null {
  const statement = 'SELECT files_key FROM jobs WHERE id = ?';
  return look(store, () => store.db.prepare<[number], Buffer | null>(statement).pluck().get(id)) ?? null;
}

/** The digest map of the card as it left us. Throws `records.damaged` if it no longer gives the root kept beside it. */
export function readDigestMap(store: Store, id: number): DigestMap | null {
  const row = look(store, () =>
    store.db
      .prepare<[number], { size_bytes: number; root: string; packed: Buffer }>(
        'SELECT * FROM digest_maps WHERE job = ?',
      )
      .get(id),
  );
  return row === undefined ? null : unpackMap(store, row, `the digest map of record ${id}`);
}
