import type { Answer, SystemReader } from '../../contract/system-reader.ts';
import { bytesKey, type Capture, programKey, type StoredBytes, unpackBytes } from './capture.ts';

const notCaptured = { ok: false, why: 'not captured' } as const;

function look<T>(kept: Record<string, Answer<T>>, key: string): Promise<Answer<T>> {
  // A copy: whoever asks may change what it got.
  return Promise.resolve(Object.hasOwn(kept, key) ? structuredClone(kept[key] ?? notCaptured) : notCaptured);
}

/** The range itself, or one that was captured and has it inside. */
function findBytes(kept: Capture['bytes'], path: string, offset: number, length: number): Answer<Uint8Array> {
  const exact = kept[bytesKey(path, offset, length)];
  if (exact) return exact.ok ? { ok: true, value: unpackBytes(exact.value) } : exact;
  for (const [key, answer] of Object.entries(kept)) {
    const [, start, size] = key.startsWith(`${path}@`) ? (key.match(/@(\d+)\+(\d+)$/) ?? []) : [];
    if (start === undefined || size === undefined || !answer.ok) continue;
    const skip = offset - Number(start);
    if (skip >= 0 && skip + length <= Number(size)) return cut(answer.value, skip, length);
  }
  return notCaptured;
}

function cut(stored: StoredBytes, skip: number, length: number): Answer<Uint8Array> {
  return { ok: true, value: unpackBytes(stored).slice(skip, skip + length) };
}

/**
 * A machine that was captured, behind the same port as a live one. A question that nobody asked then is answered
 * `not captured`, which refuses like any other fact that cannot be had.
 */
export function createReplayReader(capture: Capture): SystemReader {
  return {
    readText: (path) => look(capture.text, path),
    list: (path) => look(capture.list, path),
    readLink: (path) => look(capture.link, path),
    realPath: (path) => look(capture.real, path),
    stat: (path) => look(capture.stat, path),
    run: (program, args) => look(capture.run, programKey(program, args)),
    readBytes: async (path, offset, length) => findBytes(capture.bytes, path, offset, length),
    drivelist: () => Promise.resolve(structuredClone(capture.drivelist)),
  };
}
