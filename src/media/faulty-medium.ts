import { CardwrightError } from '../contract/cardwright-error.ts';
import type { Medium } from './medium.ts';

/** Ways in which a make-believe card can misbehave; the names are also what a rehearsal takes. */
export const faultKinds = [
  'bit-flip',
  'dropped-write',
  'wrapped',
  'forgetting',
  'unstable-read',
  'write-error',
  'read-error',
  'flush-error',
] as const;

export type FaultKind = (typeof faultKinds)[number];

export interface MediumFault {
  kind: FaultKind;
  /** where it sits; for `wrapped` and `forgetting` the card's real size */
  atByte: number;
}

const faultLengthBytes = 4096;

/** A medium that lies as cards in the field do. Only make-believe cards and tests are wrapped in it. */
export function createFaultyMedium(inner: Medium, fault: MediumFault): Medium {
  let unstableReads = 0;
  const { kind, atByte } = fault;
  const hits = (length: number, offset: number) => offset <= atByte && atByte < offset + length;
  const fail = (code: 'media.read-failed' | 'media.write-failed', offset: number, length: number) => {
    throw new CardwrightError(code, { facts: { offset, length, errno: 'EIO' } });
  };

  /** The stretches of a transfer where they really are: one, or more where the card starts over within it. */
  function stretches(bytes: Uint8Array, offset: number): { part: Uint8Array; place: number }[] {
    if (kind !== 'wrapped') return [{ part: bytes, place: offset }];
    const parts = [];
    for (let done = 0; done < bytes.length; ) {
      const place = (offset + done) % atByte;
      const part = bytes.subarray(done, done + atByte - place);
      parts.push({ part, place });
      done += part.length;
    }
    return parts;
  }

  function spoilRead(target: Uint8Array, offset: number): void {
    if (kind === 'unstable-read' && hits(target.length, offset) && unstableReads++ % 2 === 0) {
      target[atByte - offset] = (target[atByte - offset] ?? 0) ^ 1;
    }
    if (kind === 'forgetting' && offset + target.length > atByte)
      target.fill(0, Math.max(0, atByte - offset));
  }

  async function write(source: Uint8Array, offset: number): Promise<void> {
    if (kind === 'write-error' && hits(source.length, offset))
      fail('media.write-failed', offset, source.length);
    const copy = new Uint8Array(source.length);
    copy.set(source);
    if (hits(source.length, offset)) {
      const at = atByte - offset;
      if (kind === 'bit-flip') copy[at] = (copy[at] ?? 0) ^ 0x10;
      if (kind === 'dropped-write') copy.fill(0, at, at + faultLengthBytes);
    }
    for (const { part, place } of stretches(copy, offset)) await inner.write(part, place);
  }

  return {
    kind: inner.kind,
    sizeBytes: inner.sizeBytes,
    blockBytes: inner.blockBytes,
    write,
    async read(target, offset) {
      if (kind === 'read-error' && hits(target.length, offset))
        fail('media.read-failed', offset, target.length);
      for (const { part, place } of stretches(target, offset)) await inner.read(part, place);
      spoilRead(target, offset);
    },
    readNow(target, offset) {
      if (kind === 'read-error' && hits(target.length, offset))
        fail('media.read-failed', offset, target.length);
      for (const { part, place } of stretches(target, offset)) inner.readNow(part, place);
      spoilRead(target, offset);
    },
    async flush() {
      await inner.flush();
      if (kind === 'flush-error')
        throw new CardwrightError('media.flush-failed', { facts: { offset: 0, length: 0, errno: 'EIO' } });
    },
  };
}
