import { listCards, readCard } from './cards.ts';
import { checkStore } from './check-store.ts';
import { markCancelled, markDone, markFailed, markSealing, settleInterrupted } from './end-jobs.ts';
import { exportAll } from './export-all.ts';
import { openStore } from './open-store.ts';
import { isOwnerGone } from './owner.ts';
import { listBatches, listSets, readBatch, readCurve, readImageMap } from './read-batches.ts';
import {
  findForCard,
  listRecords,
  readByUuid,
  readDigestMap,
  readFilesKey,
  readRecord,
} from './read-records.ts';
import type { Owner, Records } from './record-types.ts';
import { migrations } from './schema.ts';
import { ownProcess, seeOwner } from './see-owner.ts';
import type { Store } from './store.ts';
import { beginBatch, endBatch, saveStagedImage } from './write-batches.ts';
import { addCheck, addFinding, settleUnconfirmed } from './write-findings.ts';
import * as jobs from './write-jobs.ts';

export interface RecordsOptions {
  /** milliseconds since 1970 */
  now: () => number;
  /** how long a call waits for another process's lock */
  busyTimeoutMs?: number;
  /** who answers for the jobs begun through this store */
  owner?: Owner;
  /** is the process behind a job gone for certain? */
  isGone?: (owner: Owner) => boolean;
}

/**
 * Opens the record store (SQLite), making it where it is missing: folder 0700, file 0600. Every call on it is
 * one transaction that is on the disk when the call returns; a process that dies in between leaves the store as the
 * last returned call left it. Throws `records.*`, exit status 11 for a store that cannot be used.
 */
export function openRecords(path: string, options: RecordsOptions): Records {
  const busyTimeoutMs = options.busyTimeoutMs ?? 30_000;
  const store: Store = {
    db: openStore(path, migrations, busyTimeoutMs),
    path,
    migrations,
    busyTimeoutMs,
    owner: options.owner ?? ownProcess(),
    now: options.now,
    isGone: options.isGone ?? ((owner) => isOwnerGone(owner, seeOwner(owner))),
  };
  return {
    path,
    beginJob: (job) => jobs.beginJob(store, job),
    enterPhase: (id, phase) => jobs.enterPhase(store, id, phase),
    endPhase: (id, phase, { elapsedMs, bytes }) => jobs.endPhase(store, id, phase, elapsedMs, bytes),
    addFinding: (id, finding) => addFinding(store, id, finding),
    addKernelLines: (id, lines) => jobs.addKernelLines(store, id, lines),
    saveImage: (id, image) => jobs.saveImage(store, id, image),
    saveIdentity: (id, identity) => jobs.saveIdentity(store, id, identity),
    saveIdentityFile: (id, file) => jobs.saveIdentityFile(store, id, file),
    saveThroughput: (id, throughput) => jobs.saveThroughput(store, id, throughput),
    saveCurve: (id, curve) => jobs.saveCurve(store, id, curve),
    saveDigestMap: (id, map) => jobs.saveDigestMap(store, id, map),
    markSealing: (id) => markSealing(store, id),
    markDone: (id, facts) => markDone(store, id, facts),
    markFailed: (id, code, card) => markFailed(store, id, code, card),
    markCancelled: (id, card) => markCancelled(store, id, card),
    addCheck: (id, check) => addCheck(store, id, check),
    settleUnconfirmed: (id) => settleUnconfirmed(store, id),
    settleInterrupted: () => settleInterrupted(store).flatMap((id) => readRecord(store, id) ?? []),
    readRecord: (id) => readRecord(store, id),
    readByUuid: (uuid) => readByUuid(store, uuid),
    readFilesKey: (id) => readFilesKey(store, id),
    readDigestMap: (id) => readDigestMap(store, id),
    listRecords: (filter) => listRecords(store, filter),
    findForCard: (card) => findForCard(store, card),
    beginBatch: (batch) => beginBatch(store, batch),
    saveStagedImage: (batch, image) => saveStagedImage(store, batch, image),
    endBatch: (batch, outcome) => endBatch(store, batch, outcome),
    readBatch: (id) => readBatch(store, id),
    listBatches: (filter) => listBatches(store, filter),
    readCurve: (id) => readCurve(store, id),
    readCard: (id) => readCard(store, id),
    listCards: () => listCards(store),
    listSets: () => listSets(store),
    readImageMap: (root) => readImageMap(store, root),
    check: () => checkStore(store),
    exportAll: () => exportAll(store),
    close: () => {
      store.db.close();
    },
  };
}
