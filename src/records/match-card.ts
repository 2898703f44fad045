import type { CardTraits, MatchKind } from './record-types.ts';

/** What a record knows of its card, as far as recognizing goes. */
export interface RecordedTraits {
  uuid: string;
  /** as `normalizeCid` gives it */
  cid: string | null;
  serial: string | null;
  port: string | null;
  sizeBytes: number;
}

/**
 * A CID without its last byte (CRC7 and end bit, SD Physical Layer Simplified Specification section 5.2), lower
 * case: some controllers hand that byte over as 00, so the same card would look like two.
 */
export function normalizeCid(cid: string | null): string | null {
  return cid === null ? null : cid.trim().toLowerCase().slice(0, 30);
}

/**
 * Is this the recorded card, and by what is it recognized? Null where it is not. Two different CIDs are two cards,
 * whatever else agrees; two different serials likewise.
 */
export function matchCard(card: CardTraits, recorded: RecordedTraits): MatchKind | null {
  if (card.identityUuid !== null && card.identityUuid === recorded.uuid) return 'identity';
  const cid = normalizeCid(card.cid);
  if (cid !== null && recorded.cid !== null) return cid === recorded.cid ? 'cid' : null;
  if (card.sizeBytes !== recorded.sizeBytes) return null;
  if (card.serial !== null || recorded.serial !== null)
    return card.serial === recorded.serial ? 'serial' : null;
  return card.port !== null && card.port === recorded.port ? 'place' : null;
}
