/** What a card is after a job, as far as the job can know. */
export type CardState =
  /** nothing was written to it */
  | 'untouched'
  /** writing began, or was cut off: the first MiB reads as zeros, so it boots from nothing we wrote */
  | 'unbootable'
  /** the seal was begun and no record says that it ended: only `verify` can tell */
  | 'unconfirmed'
  /** every byte was read back after the last was written, and the record says so */
  | 'done'
  /** it was read whole, and holds something else than it should */
  | 'damaged'
  /** it was pulled or exchanged, or did not keep a cleared head: nothing can be said without reading it again */
  | 'unknown';

/** The sentence for the person at the bench. */
export const cardStateText: Record<CardState, string> = {
  untouched: 'nothing was written to the card',
  unbootable: 'the card has no partition table now and does not boot; do not use it',
  unconfirmed: 'the card may be complete, but no record says so: run verify before you use it',
  done: 'the card is complete and was read back',
  damaged: 'the card does not hold what it should; do not use it',
  unknown: 'what is on the card is not known until it is read again',
};
