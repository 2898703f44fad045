import { type Capture, unpackBytes } from './capture.ts';

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

/** Unit serial numbers (SPC-5, 7.8.18): the page's text behind four bytes of header; udev's links have them, too. */
function pageSerialsOf(capture: Capture): string[] {
  return Object.entries(capture.bytes)
    .filter(([key]) => /\/vpd_pg80@/.test(key))
    .map(([, page]) => (page.ok ? unpackBytes(page.value).subarray(4) : new Uint8Array()))
    .map((text) => new TextDecoder('latin1').decode(text).replaceAll('\0', '').trim());
}

function secretsOf(capture: Capture): string[] {
  const found = Object.entries(capture.text)
    .filter(([path]) => telling.test(path))
    .map(([, answer]) => (answer.ok ? answer.value.trim() : ''));
  return [...new Set([...found, ...pageSerialsOf(capture)])].filter(
    (value) => value.length >= shortest && !/^(.)\1*$/.test(value),
  );
}

/** Vital product data is binary: the pages are left out, and the disk's own attribute answers in their place. */
function dropSerialPages(capture: Capture): void {
  for (const key of Object.keys(capture.bytes)) {
    const [, unit] = key.match(/^(.*)\/vpd_pg8[03]@/) ?? [];
    if (unit === undefined) continue;
    capture.bytes[key] = { ok: false, why: 'ENOENT' };
    const [disk = ''] = Object.keys(capture.text).filter((path) => path.startsWith(`${unit}/block/`));
    const [folder] = disk.match(/^.*\/block\/[^/]+/) ?? [];
    if (folder !== undefined) capture.text[`${folder}/serial`] ??= { ok: false, why: 'ENOENT' };
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
  const pairs: (readonly [string, string])[] = secretsOf(copy)
    .sort((a, b) => b.length - a.length)
    .map((secret, at) => [secret, pseudonym(secret, at + 1)]);
  dropSerialPages(copy);
  const inJson = (text: string): string => JSON.stringify(text).slice(1, -1);
  let json = JSON.stringify(copy);
  for (const [from, to] of [...(options.words ?? []), ...pairs]) {
    json = json.replaceAll(inJson(from), () => inJson(to));
  }
  return JSON.parse(json) as Capture;
}
