import { CardwrightError } from '../contract/cardwright-error.ts';
import { digestMapRoot, encodeDigestMap } from './digest-map.ts';
import type { BatchOutcome, NewBatch, StagedImage } from './record-types.ts';
import { change, type Store, timeOf } from './store.ts';

/** Begins a batch, answered for by this process; the set and its nodes are entered or brought up to date. */
export function beginBatch(store: Store, batch: NewBatch): number {
  return change(store, () => {
    store.db
      .prepare(`INSERT INTO sets (name, plan_path) VALUES (?, ?)
        ON CONFLICT (name) DO UPDATE SET plan_path = excluded.plan_path`)
      .run(batch.set, batch.planPath);
    const insert = store.db.prepare(`INSERT INTO nodes (set_name, name, slot, place) VALUES (?, ?, ?, ?)
      ON CONFLICT (set_name, name) DO UPDATE SET slot = excluded.slot, place = excluded.place`);
    for (const [place, { name, slot }] of batch.nodes.entries()) insert.run(batch.set, name, slot, place);
    const { lastInsertRowid } = store.db
      .prepare(`INSERT INTO batches (set_name, plan_path, tool_version, nodes, begun_at_ms,
          owner_pid, owner_start_ticks, owner_boot_id, owner_pid_namespace)
        VALUES (@set, @planPath, @toolVersion, @nodes, @begunAtMs, @pid, @startTicks, @bootId, @pidNamespace)`)
      .run({
        set: batch.set,
        planPath: batch.planPath,
        toolVersion: batch.toolVersion,
        nodes: JSON.stringify(batch.nodes.map(({ name, slot }) => ({ name, slot }))),
        begunAtMs: timeOf(store),
        ...store.owner,
      });
    return Number(lastInsertRowid);
  });
}

function expectOne(changes: number, batch: number): void {
  if (changes === 0) throw new CardwrightError('records.no-such-batch', { facts: { batch } });
}

export function saveStagedImage(store: Store, batch: number, image: StagedImage): void {
  const root = digestMapRoot(image.map);
  const packed = encodeDigestMap(image.map);
  change(store, () => {
    const { changes } = store.db
      .prepare(`UPDATE batches SET image_path = ?, image_size_bytes = ?, image_map_root = ?, staged_in_ms = ?
        WHERE id = ?`)
      .run(image.path, image.sizeBytes, root, Math.round(image.elapsedMs), batch);
    expectOne(changes, batch);
    store.db
      .prepare('INSERT OR IGNORE INTO image_maps (root, size_bytes, packed) VALUES (?, ?, ?)')
      .run(root, image.map.sizeBytes, packed);
  });
}

export function endBatch(store: Store, batch: number, outcome: BatchOutcome): void {
  change(store, () => {
    const { changes } = store.db
      .prepare('UPDATE batches SET outcome = ?, ended_at_ms = ? WHERE id = ?')
      .run(outcome, timeOf(store), batch);
    expectOne(changes, batch);
  });
}
