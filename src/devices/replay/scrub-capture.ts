import type { Capture } from './capture.ts';

/** Attributes that tell one machine or card from all others of its kind. */
const telling = /\/(serial|cid|wwid|unique_id|machine-id|hostname|product_uuid)$/;

/** Shorter values are no serial numbers, and replacing them would tear other words apart. */
const shortest = 4;

/** Same length and kind of characters, so that formats stay valid: digits 0, hexadecimal a, letters x or X; then a count. */
function pseudonym(value: string, count: number): string {
  const isHex = /^(0x)?[0-9a-f]+$/i.test(value);
  const prefix = /^0x/i.test(value) ? '0x' : '';
  const masked = value
    .slice(prefix.length)
    .replaceAll(/[a-z]/g, isHex ? 'a' : 'x')
    .replaceAll(/[A-Z]/g, isHex ? 'A' : 'X')
    .replaceAll(/\d/g, '0');
  const tail = String(count);
  return prefix + masked.slice(0, Math.max(0, masked.length - tail.length)) + tail;
}

function secretsOf(capture: Capture): string[] {
  const found = Object.entries(capture.text)
    .filter(([path]) => telling.test(path))
    .map(([, answer]) => (answer.ok ? answer.value.trim() : ''));
  return [...new Set(found)].filter((value) => value.length >= shortest && !/^(.)\1*$/.test(value));
}

/** Serial numbers in vital product data are binary and reach no other answer: the page is left out. */
function dropSerialPages(capture: Capture): void {
  for (const key of Object.keys(capture.bytes)) {
    if (/\/vpd_pg8[03]@/.test(key)) capture.bytes[key] = { ok: false, why: 'ENOENT' };
  }
}

export interface ScrubOptions {
  /** further words to replace wherever they stand: [word, what to put in its place] */
  words?: readonly (readonly [string, string])[];
}

/**
 * Replaces serial numbers, CIDs, world-wide names and machine ids by pseudonyms of the same shape, everywhere they
 * stand (by-id links have them in their names), and `words` such as host names by what is given. The input is left
 * as it is. Volume labels and UUIDs stay: they are what names are resolved by.
 */
export function scrubCapture(capture: Capture, options: ScrubOptions = {}): Capture {
  const copy = structuredClone(capture);
  dropSerialPages(copy);
  const pairs: (readonly [string, string])[] = secretsOf(copy)
    .sort((a, b) => b.length - a.length)
    .map((secret, at) => [secret, pseudonym(secret, at + 1)]);
  const inJson = (text: string): string => JSON.stringify(text).slice(1, -1);
  let json = JSON.stringify(copy);
  for (const [from, to] of [...(options.words ?? []), ...pairs]) {
    json = json.replaceAll(inJson(from), () => inJson(to));
  }
  return JSON.parse(json) as Capture;
}
