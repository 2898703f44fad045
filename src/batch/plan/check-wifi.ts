import { itemPaths, type Mistake, mistake, type Raw, textAt, valueAt, whereOf } from './mistake.ts';

/** Octets of a network's name (IEEE 802.11-2020, 9.4.2.2). */
const longestName = 32;

const countries = new Intl.DisplayNames(['en'], { type: 'region', fallback: 'none' });

function whyNoName(text: string): string | null {
  const bytes = Buffer.byteLength(text);
  if (bytes === 0) return 'it is empty';
  // biome-ignore lint/suspicious/noControlCharactersInRegex: control characters are what this finds
  if (/[\u0000-\u001f\u007f]/.test(text)) return 'it has line breaks or control characters';
  return bytes > longestName ? `it has ${bytes} bytes, at most ${longestName} are allowed` : null;
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
  return [
    ...look('name', 'Give the name of the network (SSID).', whyNoName),
    ...look('country', 'Give the country where the node stands, like ES.', whyNoCountry),
    ...look('key', 'Derive it from the phrase with cardwright password --wifi NAME.', (text) =>
      /^[0-9a-f]{64}$/i.test(text) ? null : 'it is not 64 hexadecimal digits',
    ),
    ...(hasKey ? [] : [mistake('plan.missing-key', [...at, 'key'], { key: 'key', where: 'wifi' })]),
  ];
}
