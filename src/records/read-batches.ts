import type { DigestMap } from '../contract/job.ts';
import { type OwnerRow, ownerFrom, parseStored } from './read-rows.ts';
import type { BatchOutcome, BatchView, PhaseCurve, SetView } from './record-types.ts';
import { look, type Store } from './store.ts';
import { unpackMap } from './unpack-map.ts';

interface BatchRow extends OwnerRow {
  id: number;
  set_name: string;
  plan_path: string;
  tool_version: string;
  nodes: string;
  begun_at_ms: number;
  ended_at_ms: number | null;
  outcome: BatchOutcome | null;
  image_path: string | null;
  image_size_bytes: number | null;
  image_map_root: string | null;
  staged_in_ms: number | null;
}

function imageFrom(row: BatchRow): BatchView['image'] {
  const { image_path: path, image_size_bytes: sizeBytes, image_map_root: mapRoot } = row;
  if (path === null || sizeBytes === null || mapRoot === null) return null;
  return { path, sizeBytes, mapRoot, elapsedMs: row.staged_in_ms ?? 0 };
}

function viewFrom(store: Store, row: BatchRow): BatchView {
  return {
    id: row.id,
    set: row.set_name,
    planPath: row.plan_path,
    toolVersion: row.tool_version,
    nodes: parseStored<BatchView['nodes']>(store, row.nodes),
    begunAtMs: row.begun_at_ms,
    endedAtMs: row.ended_at_ms,
    state: row.outcome ?? (store.isGone(ownerFrom(row)) ? 'interrupted' : 'running'),
    image: imageFrom(row),
    recordIds: store.db
      .prepare<[number], number>('SELECT id FROM jobs WHERE batch = ? ORDER BY id')
      .pluck()
      .all(row.id),
  };
}

export function readBatch(store: Store, id: number): BatchView | null {
  return look(store, () => {
    const row = store.db.prepare<[number], BatchRow>('SELECT * FROM batches WHERE id = ?').get(id);
    return row === undefined ? null : viewFrom(store, row);
  });
}

export function listBatches(store: Store, filter: { set?: string; limit?: number } = {}): BatchView[] {
  return look(store, () =>
    store.db
      .prepare<[Record<string, string | number | null>], BatchRow>(
        'SELECT * FROM batches WHERE (@set IS NULL OR set_name = @set) ORDER BY id DESC LIMIT @limit',
      )
      .all({ set: filter.set ?? null, limit: filter.limit ?? -1 })
      .map((row) => viewFrom(store, row)),
  );
}

export function listSets(store: Store): SetView[] {
  return look(store, () => {
    const nodes = store.db.prepare<[string], { name: string; slot: string | null }>(
      'SELECT name, slot FROM nodes WHERE set_name = ? ORDER BY place, name',
    );
    return store.db
      .prepare<[], { name: string; plan_path: string | null }>('SELECT * FROM sets ORDER BY name')
      .all()
      .map(({ name, plan_path }) => ({ name, planPath: plan_path, nodes: nodes.all(name) }));
  });
}

/** How fast a job went. Empty where it was not kept. */
export function readCurve(store: Store, id: number): PhaseCurve[] {
  const text = look(store, () =>
    store.db.prepare<[number], string | null>('SELECT curve FROM jobs WHERE id = ?').pluck().get(id),
  );
  return text === null || text === undefined ? [] : parseStored<PhaseCurve[]>(store, text);
}

/** Throws `records.damaged` if the map no longer gives its root. */
export function readImageMap(store: Store, root: string): DigestMap | null {
  const row = look(store, () =>
    store.db
      .prepare<[string], { size_bytes: number; packed: Buffer }>('SELECT * FROM image_maps WHERE root = ?')
      .get(root),
  );
  return row === undefined ? null : unpackMap(store, { ...row, root }, `the digest map of an image`);
}
