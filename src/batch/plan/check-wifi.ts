import { resolve } from 'node:path';
import { deriveWifiKey, whyNoWifiName, whyNoWifiPhrase } from '../../identity/wifi-key.ts';
import { itemPaths, type Mistake, mistake, type Raw, textAt, valueAt, whereOf } from './mistake.ts';
import type { PlanFiles } from './plan-files.ts';
import { readSource } from './source-file.ts';

/** A phrase has at most 63 bytes; a file with more than a line of it is some other file. */
const mostPhraseFileBytes = 256;
const phrasePath = ['network', 'wifi', 'phraseFile'];

const countries = new Intl.DisplayNames(['en'], { type: 'region', fallback: 'none' });

function whyNoName(text: string): string | null {
  // biome-ignore lint/suspicious/noControlCharactersInRegex: control characters are what this finds
  return /[\u0000-\u001f\u007f]/.test(text)
    ? 'it has line breaks or control characters'
    : whyNoWifiName(text);
}

/** ISO 3166-1 alpha-2, in capitals; ZZ and the like, which name no country, are refused. */
function whyNoCountry(text: string): string | null {
  if (!/^[A-Z]{2}$/.test(text)) return 'it is not two capital letters';
  return text === 'ZZ' || countries.of(text) === undefined ? 'no country has these letters' : null;
}

/** The wireless network, and the nodes that are to use it. No fact holds any part of the key. */
export function checkWifi(raw: Raw): Mistake[] {
  const at = ['network', 'wifi'];
  const wifi = valueAt(raw, at);
  const links = itemPaths(raw, ['nodes']).map((node) => [...node, 'link']);
  if (wifi === undefined) {
    return links
      .filter((path) => textAt(raw, path) === 'wifi')
      .map((path) => mistake('plan.no-wifi', path, { where: whereOf(raw, path) }));
  }
  if (typeof wifi !== 'object' || wifi === null) return [];
  const look = (key: string, fix: string, why: (text: string) => string | null): Mistake[] => {
    const path = [...at, key];
    const text = textAt(raw, path);
    const reason = text === null ? null : why(text);
    return reason === null
      ? []
      : [mistake('plan.bad-setting', path, { key: `${key} of wifi`, why: reason, fix })];
  };
  const hasKey = valueAt(raw, [...at, 'key']) !== undefined;
  const hasPhrase = valueAt(raw, phrasePath) !== undefined;
  const both = { key: 'phraseFile of wifi', why: 'there is a key, too', fix: 'Keep one of them.' };
  return [
    ...look('name', 'Give the name of the network (SSID).', whyNoName),
    ...look('country', 'Give the country where the node stands, like ES.', whyNoCountry),
    ...look('key', 'Derive it from the phrase with cardwright password --wifi NAME.', (text) =>
      /^[0-9a-f]{64}$/i.test(text) ? null : 'it is not 64 hexadecimal digits',
    ),
    ...(hasKey && hasPhrase ? [mistake('plan.bad-setting', phrasePath, both, { atKey: true })] : []),
    ...(hasKey || hasPhrase
      ? []
      : [mistake('plan.missing-key', [...at, 'key'], { key: 'key (or phraseFile)', where: 'wifi' })]),
  ];
}

/**
 * The key of the wireless network: as the plan gives it, or derived from the phrase in a file of its own, which others
 * may not read. Null where there is no such network, or a mistake.
 */
export async function readWifiKey(
  raw: Raw,
  folder: string,
  files: PlanFiles,
): Promise<{ key: string | null; mistakes: Mistake[] }> {
  const given = textAt(raw, ['network', 'wifi', 'key']);
  const name = textAt(raw, ['network', 'wifi', 'name']);
  const path = textAt(raw, phrasePath);
  if (given !== null || path === null) return { key: given?.toLowerCase() ?? null, mistakes: [] };
  const bad = (why: string) =>
    mistake('plan.bad-setting', phrasePath, {
      key: `phraseFile of wifi, ${path},`,
      why,
      fix: 'Name a file that holds the phrase in one line and that only you can read (chmod 600).',
    });
  const source = await readSource(raw, phrasePath, folder, files, mostPhraseFileBytes, (_, why) => bad(why));
  if (!source.ok) return { key: null, mistakes: [source.mistake] };
  const { mode } = await files.stat(resolve(folder, path));
  if ((mode & 0o077) !== 0) return { key: null, mistakes: [bad('others can read it')] };
  const end = source.content.findIndex((byte) => byte === 10 || byte === 13);
  const phrase = end < 0 ? source.content : source.content.subarray(0, end);
  const why = whyNoWifiPhrase(phrase);
  const isNamed = name !== null && whyNoWifiName(name) === null;
  const key = why === null && isNamed ? deriveWifiKey(phrase, name) : null;
  source.content.fill(0);
  return { key, mistakes: why === null ? [] : [bad(why)] };
}
