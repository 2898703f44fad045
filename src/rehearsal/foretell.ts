import type { CardState } from '../contract/card-state.ts';
import { CardwrightError } from '../contract/cardwright-error.ts';
import type { Code } from '../contract/catalogue/index.ts';
import { type FaultKind, faultKinds, type MediumFault } from '../media/faulty-medium.ts';

/** How a job on a card with this fault has to end. */
export interface Foretold {
  state: CardState;
  code: Code | null;
}

const ends: Record<FaultKind, Code> = {
  'bit-flip': 'job.mismatch',
  'dropped-write': 'job.mismatch',
  'unstable-read': 'job.mismatch',
  wrapped: 'media.false-size',
  forgetting: 'media.false-size',
  'write-error': 'media.write-failed',
  'read-error': 'media.read-failed',
  'flush-error': 'media.flush-failed',
};

export function foretell(fault: MediumFault | null): Foretold {
  return fault ? { state: 'unbootable', code: ends[fault.kind] } : { state: 'done', code: null };
}

export interface FaultRequest {
  kind: FaultKind;
  node: string;
}

/**
 * Reads `KIND@NODE`, or `none`.
 *
 * @throws CardwrightError `usage.bad-value`
 */
export function parseFault(text: string, nodes: readonly string[]): FaultRequest | null {
  if (text === 'none') return null;
  const [kindText, node, ...rest] = text.split('@');
  const kind = faultKinds.find((one) => one === kindText);
  if (kind && node !== undefined && rest.length === 0 && nodes.includes(node)) return { kind, node };
  const expected = kind
    ? `one of the nodes ${nodes.join(', ')} behind the @`
    : `none, or one of ${faultKinds.join(', ')} with @NODE`;
  throw new CardwrightError('usage.bad-value', { facts: { option: '--fault', value: text, expected } });
}

/** Where the fault sits: late in the image, past its boot volume; half the card is missing where the size is false. */
export function placeFault(
  request: FaultRequest,
  sizes: { imageBytes: number; cardBytes: number },
): MediumFault {
  const falseSize = request.kind === 'wrapped' || request.kind === 'forgetting';
  const atByte = falseSize ? sizes.cardBytes / 2 : Math.floor((sizes.imageBytes * 0.8) / 4096) * 4096;
  return { kind: request.kind, atByte };
}
