import type { Answer, FileNumbers } from '../../contract/system-reader.ts';

/** Bytes as stored: only stretches that are not zero, each in base64 with its offset from the start of the read. */
export interface StoredBytes {
  length: number;
  parts: { at: number; base64: string }[];
}

interface ProgramResult {
  status: number;
  stdout: string;
}

/**
 * What a machine answered, question by question, as plain JSON. Whatever was not asked is not here, and replays as
 * `not captured`. Keys are paths; for programs the words of the command as a JSON list; for bytes
 * `path@offset+length`. Version 1.
 */
export interface Capture {
  format: 'cardwright-capture';
  version: 1;
  /** `captured`: a machine answered; `composed`: put together by a recipe, for hardware that was not at hand */
  origin: 'captured' | 'composed';
  /** what the machine is and what was set up on it */
  note: string;
  /** names of the things the note speaks of: `card` → "loop3" */
  labels: Record<string, string>;
  text: Record<string, Answer<string>>;
  list: Record<string, Answer<string[]>>;
  link: Record<string, Answer<string>>;
  real: Record<string, Answer<string>>;
  stat: Record<string, Answer<FileNumbers>>;
  run: Record<string, Answer<ProgramResult>>;
  bytes: Record<string, Answer<StoredBytes>>;
  drivelist: Answer<unknown[]>;
}

export function emptyCapture(origin: Capture['origin'], note: string): Capture {
  return {
    format: 'cardwright-capture',
    version: 1,
    origin,
    note,
    labels: {},
    text: {},
    list: {},
    link: {},
    real: {},
    stat: {},
    run: {},
    bytes: {},
    drivelist: { ok: false, why: 'not captured' },
  };
}

export const programKey = (program: string, args: readonly string[]): string =>
  JSON.stringify([program, ...args]);

export const bytesKey = (path: string, offset: number, length: number): string =>
  `${path}@${offset}+${length}`;

/** Zeros up to this many bytes are stored as they are; longer stretches are left out. */
const stretchBytes = 512;

/** Packs bytes, leaving stretches of zeros out. */
export function packBytes(bytes: Uint8Array): StoredBytes {
  const parts: StoredBytes['parts'] = [];
  let start = -1;
  for (let at = 0; at < bytes.length; at += stretchBytes) {
    const isZero = bytes.subarray(at, at + stretchBytes).every((byte) => byte === 0);
    if (!isZero && start < 0) start = at;
    if (isZero && start >= 0) {
      parts.push({ at: start, base64: Buffer.from(bytes.subarray(start, at)).toString('base64') });
      start = -1;
    }
  }
  if (start >= 0) parts.push({ at: start, base64: Buffer.from(bytes.subarray(start)).toString('base64') });
  return { length: bytes.length, parts };
}

export function unpackBytes(stored: StoredBytes): Uint8Array {
  const bytes = new Uint8Array(stored.length);
  for (const { at, base64 } of stored.parts) bytes.set(Buffer.from(base64, 'base64'), at);
  return bytes;
}
