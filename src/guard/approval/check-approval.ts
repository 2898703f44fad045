import { type Finding, finding } from '../../contract/finding.ts';

export interface TypedApproval {
  /** in upper case */
  code: string;
  /** what stood behind the colon; null where there was none or nothing behind it */
  name: string | null;
}

export interface ApprovalQuestion {
  /** as typed, or null where nothing was */
  typed: string | null;
  /** the code of the disk as it is now */
  expected: string;
  /** the volume name that has to be typed too, or null */
  demandedName: string | null;
}

/** Reads `CODE` or `CODE:NAME`; the name may hold colons. Never fails: what makes no sense matches no code. */
export function parseApproval(text: string): TypedApproval {
  const colon = text.indexOf(':');
  const code = (colon < 0 ? text : text.slice(0, colon)).trim().toUpperCase();
  const name = colon < 0 ? '' : text.slice(colon + 1).trim();
  return { code, name: name === '' ? null : name };
}

function comparable(name: string): string {
  return name.normalize('NFC').toLowerCase();
}

/**
 * Compares what was typed with what has to be typed. An empty answer is the approval. The name is compared without
 * regard to case, and only where one is demanded. No finding tells the code that would have been right.
 */
export function checkApproval({ typed, expected, demandedName }: ApprovalQuestion): Finding[] {
  const { code, name } = parseApproval(typed ?? '');
  if (code === '') return [finding('guard.approval-missing', 'refuse')];
  if (code !== expected) return [finding('guard.approval-wrong', 'refuse', { typed: code })];
  if (demandedName === null) return [];
  if (name === null) return [finding('guard.approval-name-missing', 'refuse', { demanded: demandedName })];
  if (comparable(name) === comparable(demandedName)) return [];
  return [finding('guard.approval-name-wrong', 'refuse', { typed: name, demanded: demandedName })];
}
