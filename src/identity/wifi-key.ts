import { pbkdf2Sync } from 'node:crypto';

/** Why a text cannot be the name (SSID) of a wireless network, or null: 1 to 32 bytes (IEEE 802.11-2020, 9.4.2.2). */
export function whyNoWifiName(name: string): string | null {
  const length = Buffer.byteLength(name);
  if (length === 0) return 'it is empty';
  return length > 32 ? `it has ${length} bytes, and a network's name has at most 32` : null;
}

/** Why a phrase cannot open a wireless network, or null: 8 to 63 printable ASCII characters (J.4.1 of the same). */
export function whyNoWifiPhrase(phrase: string | Uint8Array): string | null {
  const bytes = Buffer.from(phrase as Uint8Array);
  const length = bytes.length;
  const isPrintable = bytes.every((byte) => byte >= 32 && byte <= 126);
  bytes.fill(0);
  if (length < 8 || length > 63) return `it has ${length} bytes, and a phrase has 8 to 63`;
  return isPrintable ? null : 'it has characters other than the printable ones of ASCII';
}

/**
 * The key (PSK) that a WPA phrase stands for in a network of this name: PBKDF2 with HMAC-SHA-1, 4096 rounds, 256 bits
 * (IEEE 802.11-2020, annex J.4.1), as 64 lower-case hex digits. Throws RangeError, without the phrase in its words,
 * where name or phrase cannot be.
 */
export function deriveWifiKey(phrase: string | Uint8Array, name: string): string {
  const why = whyNoWifiName(name) ?? whyNoWifiPhrase(phrase);
  if (why !== null) throw new RangeError(why);
  return pbkdf2Sync(phrase, name, 4096, 32, 'sha1').toString('hex');
}
