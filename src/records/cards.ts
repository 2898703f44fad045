import type { CardIdentity } from '../contract/devices.ts';
import { normalizeCid } from './match-card.ts';
import type { CardView } from './record-types.ts';
import { look, type Store, timeOf } from './store.ts';

/**
 * The number of a card: by its CID; without one by the record that the card itself named. A card of which neither is
 * known is a new one. Call it inside a transaction.
 */
export function enterCard(store: Store, card: CardIdentity, recordUuid: string | null): number {
  const cid = normalizeCid(card.cid);
  const known =
    cid === null
      ? store.db.prepare('SELECT card_id FROM jobs WHERE uuid = ?').pluck().get(recordUuid)
      : store.db.prepare('SELECT id FROM cards WHERE cid = ?').pluck().get(cid);
  if (typeof known === 'number') return known;
  const { lastInsertRowid } = store.db
    .prepare('INSERT INTO cards (cid, serial, port, size_bytes, first_seen_at_ms) VALUES (?, ?, ?, ?, ?)')
    .run(cid, card.serial, card.port, card.sizeBytes, timeOf(store));
  return Number(lastInsertRowid);
}

type CardRow = Omit<CardView, 'recordIds'>;

const selectCards = `SELECT id, cid, serial, port, size_bytes AS sizeBytes, first_seen_at_ms AS firstSeenAtMs
  FROM cards`;

function viewFrom(store: Store, row: CardRow): CardView {
  const ids = store.db.prepare<[number], number>('SELECT id FROM jobs WHERE card_id = ? ORDER BY id');
  return { ...row, recordIds: ids.pluck().all(row.id) };
}

export function readCard(store: Store, id: number): CardView | null {
  return look(store, () => {
    const row = store.db.prepare<[number], CardRow>(`${selectCards} WHERE id = ?`).get(id);
    return row === undefined ? null : viewFrom(store, row);
  });
}

export function listCards(store: Store): CardView[] {
  return look(store, () =>
    store.db
      .prepare<[], CardRow>(`${selectCards} ORDER BY id DESC`)
      .all()
      .map((row) => viewFrom(store, row)),
  );
}
