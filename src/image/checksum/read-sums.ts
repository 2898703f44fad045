import path from 'node:path';
import { CardwrightError } from '../../contract/cardwright-error.ts';

export interface SumsEntry {
  /** 64 lower-case hex digits */
  sha256: string;
  /** as written, unescaped */
  name: string;
}

const gnuLine = /^([0-9a-f]{64}) [ *](.+)$/i;
const tagLine = /^SHA256 \((.+)\) = ([0-9a-f]{64})$/i;

/**
 * A digest as a person gives it, in lower case.
 * @throws CardwrightError image.checksum-malformed
 */
export function parseSha256(given: string): string {
  const text = given.trim();
  if (!/^[0-9a-f]{64}$/i.test(text)) {
    throw new CardwrightError('image.checksum-malformed', { facts: { given: text } });
  }
  return text.toLowerCase();
}

/** A line that began with a backslash has `\\`, `\n` and `\r` in its name (coreutils, "cksum output modes"). */
function unescapeName(name: string): string | null {
  if (!/^(?:[^\\]|\\[\\nr])*$/.test(name)) return null;
  const meanings: Record<string, string> = { '\\\\': '\\', '\\n': '\n', '\\r': '\r' };
  return name.replace(/\\[\\nr]/g, (pair) => meanings[pair] ?? pair);
}

function parseLine(line: string): SumsEntry | null {
  const isEscaped = line.startsWith('\\');
  const text = isEscaped ? line.slice(1) : line;
  const gnu = gnuLine.exec(text);
  const tag = tagLine.exec(text);
  const sha256 = gnu?.[1] ?? tag?.[2];
  const written = gnu?.[2] ?? tag?.[1];
  if (sha256 === undefined || written === undefined) return null;
  const name = isEscaped ? unescapeName(written) : written;
  return name === null ? null : { sha256: sha256.toLowerCase(), name };
}

/**
 * The entries of a SHA256SUMS file: both forms that coreutils writes (`HEX  name`, `HEX *name`, and the BSD form
 * `SHA256 (name) = HEX`), escaped names, CRLF, blank lines, `#` comments. Lines of other kinds are passed over, as
 * `sha256sum -c` does; a byte order mark, which hides the first entry from that program, is refused.
 * @param file shown in messages
 * @throws CardwrightError image.sums-unreadable
 */
export function readSums(text: string, file = 'the checksum file'): SumsEntry[] {
  const refuse = (problem: string) =>
    new CardwrightError('image.sums-unreadable', { facts: { file, problem } });
  if (text.startsWith('\ufeff')) throw refuse('it begins with a byte order mark');
  if (text.includes('\0')) throw refuse('it is not a text');
  const entries: SumsEntry[] = [];
  for (const line of text.split('\n')) {
    const bare = line.endsWith('\r') ? line.slice(0, -1) : line;
    if (bare.trim() === '' || bare.startsWith('#')) continue;
    const entry = parseLine(bare);
    if (entry) entries.push(entry);
  }
  if (entries.length === 0) throw refuse('it has no line with a SHA-256 digest and a file name');
  return entries;
}

/**
 * The digest for one file. An entry with exactly its name counts first, then those whose last path component is it.
 * @param name file name without folders
 * @throws CardwrightError image.sums-without-entry; image.sums-ambiguous where entries contradict each other
 */
export function findSum(entries: readonly SumsEntry[], name: string, file = 'the checksum file'): string {
  const exact = entries.filter((entry) => entry.name === name);
  const matches =
    exact.length > 0 ? exact : entries.filter((entry) => path.posix.basename(entry.name) === name);
  const digests = new Set(matches.map(({ sha256 }) => sha256));
  const [digest] = digests;
  if (digest === undefined) {
    throw new CardwrightError('image.sums-without-entry', { facts: { file, name, count: entries.length } });
  }
  if (digests.size > 1) {
    throw new CardwrightError('image.sums-ambiguous', { facts: { file, name, count: digests.size } });
  }
  return digest;
}
