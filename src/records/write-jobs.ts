import { CardwrightError } from '../contract/cardwright-error.ts';
import type { DigestMap, Phase } from '../contract/job.ts';
import { enterCard } from './cards.ts';
import { digestMapRoot, encodeDigestMap } from './digest-map.ts';
import { normalizeCid } from './match-card.ts';
import type { NewJob, PhaseCurve, RecordedIdentity, RecordedImage, WrittenIdentity } from './record-types.ts';
import { newRecordUuid } from './record-uuid.ts';
import { change, type Store, stateOf, timeOf } from './store.ts';

const imageColumns = (image: RecordedImage | null) => ({
  imagePath: image?.path ?? null,
  imageContainer: image?.container ?? null,
  imagePackedSha256: image?.packedSha256 ?? null,
  imageSizeBytes: image?.sizeBytes ?? null,
  imageMapRoot: image?.digestMapRoot ?? null,
});

/** Begins a record in state `running`, answered for by this process; gives its number. */
export function beginJob(store: Store, job: NewJob): number {
  return change(store, () => {
    const insert = store.db.prepare(`
      INSERT INTO jobs (uuid, kind, set_name, node, tool_version, state, begun_at_ms,
        card, card_cid, card_serial, card_port, card_size_bytes,
        image_path, image_container, image_packed_sha256, image_size_bytes, image_map_root,
        batch, slot, card_id, settings,
        owner_pid, owner_start_ticks, owner_boot_id, owner_pid_namespace)
      VALUES (@uuid, @kind, @set, @node, @toolVersion, 'running', @begunAtMs,
        @card, @cid, @serial, @port, @sizeBytes,
        @imagePath, @imageContainer, @imagePackedSha256, @imageSizeBytes, @imageMapRoot,
        @batch, @slot, @cardId, @settings,
        @pid, @startTicks, @bootId, @pidNamespace)`);
    const { lastInsertRowid } = insert.run({
      uuid: newRecordUuid(),
      kind: job.kind,
      set: job.set,
      node: job.node,
      toolVersion: job.toolVersion,
      begunAtMs: timeOf(store),
      card: JSON.stringify(job.card),
      cid: normalizeCid(job.card.cid),
      serial: job.card.serial,
      port: job.card.port,
      sizeBytes: job.card.sizeBytes,
      ...imageColumns(job.image),
      batch: job.batch ?? null,
      slot: job.slot ?? null,
      cardId: enterCard(store, job.card, job.cardRecordUuid ?? null),
      settings: job.settings ? JSON.stringify(job.settings) : null,
      ...store.owner,
    });
    return Number(lastInsertRowid);
  });
}

export function enterPhase(store: Store, id: number, phase: Phase): void {
  change(store, () => {
    stateOf(store, id);
    store.db
      .prepare('INSERT INTO phases (job, phase, begun_at_ms) VALUES (?, ?, ?)')
      .run(id, phase, timeOf(store));
  });
}

export function endPhase(store: Store, id: number, phase: Phase, elapsedMs: number, bytes: number): void {
  change(store, () => {
    stateOf(store, id);
    const update = store.db.prepare(`
      UPDATE phases SET elapsed_ms = ?, bytes = ?
      WHERE id = (SELECT max(id) FROM phases WHERE job = ? AND phase = ? AND elapsed_ms IS NULL)`);
    if (update.run(elapsedMs, bytes, id, phase).changes === 0) {
      throw new CardwrightError('records.phase-not-entered', { facts: { record: id, phase } });
    }
  });
}

export function addKernelLines(store: Store, id: number, lines: readonly string[]): void {
  change(store, () => {
    stateOf(store, id);
    const insert = store.db.prepare('INSERT INTO kernel_lines (job, line) VALUES (?, ?)');
    for (const line of lines) insert.run(id, line);
  });
}

export function saveImage(store: Store, id: number, image: RecordedImage): void {
  change(store, () => {
    stateOf(store, id);
    store.db
      .prepare(`UPDATE jobs SET image_path = @imagePath, image_container = @imageContainer,
        image_packed_sha256 = @imagePackedSha256, image_size_bytes = @imageSizeBytes,
        image_map_root = @imageMapRoot WHERE id = @id`)
      .run({ id, ...imageColumns(image) });
  });
}

export function saveIdentity(store: Store, id: number, identity: RecordedIdentity): void {
  change(store, () => {
    stateOf(store, id);
    store.db
      .prepare('UPDATE jobs SET host_names = ?, identity_file_sha256 = ? WHERE id = ?')
      .run(JSON.stringify(identity.hostNames), identity.identityFileSha256, id);
    store.db.prepare('DELETE FROM host_keys WHERE job = ?').run(id);
    const insert = store.db.prepare('INSERT INTO host_keys (job, public_key, fingerprint) VALUES (?, ?, ?)');
    for (const { publicKey, fingerprint } of identity.hostKeys) insert.run(id, publicKey, fingerprint);
  });
}

export function saveIdentityFile(store: Store, id: number, { sha256, filesKey }: WrittenIdentity): void {
  change(store, () => {
    stateOf(store, id);
    store.db
      .prepare('UPDATE jobs SET identity_file_sha256 = ?, files_key = ? WHERE id = ?')
      .run(sha256, Buffer.from(filesKey), id);
  });
}

export function saveThroughput(store: Store, id: number, throughput: unknown): void {
  change(store, () => {
    stateOf(store, id);
    store.db
      .prepare('UPDATE jobs SET throughput = ? WHERE id = ?')
      .run(JSON.stringify(throughput) ?? null, id);
  });
}

export function saveCurve(store: Store, id: number, curve: readonly PhaseCurve[]): void {
  change(store, () => {
    stateOf(store, id);
    store.db.prepare('UPDATE jobs SET curve = ? WHERE id = ?').run(JSON.stringify(curve), id);
  });
}

/** The map may be saved again, when node files change the card: the last one counts. */
export function saveDigestMap(store: Store, id: number, map: DigestMap): void {
  const row = { id, sizeBytes: map.sizeBytes, root: digestMapRoot(map), packed: encodeDigestMap(map) };
  change(store, () => {
    stateOf(store, id);
    store.db
      .prepare(
        'INSERT OR REPLACE INTO digest_maps (job, size_bytes, root, packed) VALUES (@id, @sizeBytes, @root, @packed)',
      )
      .run(row);
  });
}
