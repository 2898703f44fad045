import type { RecordView } from '../../records/record-types.ts';

type Told = Pick<RecordView, 'id' | 'node' | 'set' | 'state' | 'cardId' | 'cardState'>;

/** Whether a later job wrote to the same card: then what the earlier record says is gone. */
export function isOverwritten(record: Told, all: readonly Told[]): boolean {
  if (record.cardId === null) return false;
  return all.some(
    (later) => later.id > record.id && later.cardId === record.cardId && later.cardState !== 'untouched',
  );
}

/**
 * Which nodes of a set are done, each with the number of its record: the newest whose card was not written to since.
 *
 * @param records all of the store: a card may have gone to another set
 */
export function doneNodes(records: readonly Told[], set: string): Map<string, number> {
  const done = new Map<string, number>();
  for (const record of [...records].sort((a, b) => a.id - b.id)) {
    if (record.set !== set || record.node === null || record.state !== 'done') continue;
    if (!isOverwritten(record, records)) done.set(record.node, record.id);
  }
  return done;
}

/** Nodes that are not done and whose newest record was cut off while the last sectors went out. */
export function maybeComplete(
  records: readonly Told[],
  set: string,
  done: ReadonlyMap<string, number>,
): { node: string; record: number }[] {
  const newest = new Map<string, Told>();
  for (const record of [...records].sort((a, b) => a.id - b.id)) {
    if (record.set === set && record.node !== null) newest.set(record.node, record);
  }
  return [...newest].flatMap(([node, { id, state }]) =>
    state === 'unconfirmed' && !done.has(node) ? [{ node, record: id }] : [],
  );
}
