import type { Answer, SystemReader } from '../../contract/system-reader.ts';
import { bytesKey, type Capture, emptyCapture, packBytes, programKey } from './capture.ts';

async function keep<T>(
  into: Record<string, Answer<T>>,
  key: string,
  asked: Promise<Answer<T>>,
): Promise<Answer<T>> {
  const answer = await asked;
  into[key] = answer;
  return answer;
}

/**
 * Passes every question on to `inner` and keeps its answer; where one is asked twice, the last answer stays. The
 * capture it gives is a copy and can be taken at any time.
 */
export function recordReads(
  inner: SystemReader,
  about: Pick<Capture, 'origin' | 'note'> = { origin: 'captured', note: '' },
): { reader: SystemReader; capture: () => Capture } {
  const kept = emptyCapture(about.origin, about.note);
  const reader: SystemReader = {
    readText: (path) => keep(kept.text, path, inner.readText(path)),
    list: (path) => keep(kept.list, path, inner.list(path)),
    readLink: (path) => keep(kept.link, path, inner.readLink(path)),
    realPath: (path) => keep(kept.real, path, inner.realPath(path)),
    stat: (path) => keep(kept.stat, path, inner.stat(path)),
    run: (program, args) => keep(kept.run, programKey(program, args), inner.run(program, args)),
    async readBytes(path, offset, length) {
      const answer = await inner.readBytes(path, offset, length);
      kept.bytes[bytesKey(path, offset, length)] = answer.ok
        ? { ok: true, value: packBytes(answer.value) }
        : answer;
      return answer;
    },
    async drivelist() {
      kept.drivelist = await inner.drivelist();
      return kept.drivelist;
    },
  };
  return { reader, capture: () => structuredClone(kept) };
}
