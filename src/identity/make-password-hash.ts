import { randomInt } from 'node:crypto';
import { encrypt } from 'unixcrypt';

/** Twenty times what crypt(5) takes by itself since 2007; a login on a small computer stays about a second (common practice, no source). */
export const usualRounds = 100_000;

/** Digits of crypt(5), in their order. */
const digits = './0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz';
const saltLength = 16;

/** Why a phrase cannot become a password, or null. @param phrase UTF-8 */
export function whyNoPassword(phrase: Uint8Array): string | null {
  if (phrase.length === 0) return 'it is empty';
  // CRYPT_MAX_PASSPHRASE_SIZE of crypt(3), with its final zero.
  if (phrase.length > 511) return `it has ${phrase.length} bytes, and a password has at most 511`;
  return phrase.some((byte) => byte < 32 || byte === 127) ? 'it has control characters in it' : null;
}

/** A new salt of 96 random bits. */
export function makeSalt(): string {
  return Array.from({ length: saltLength }, () => digits[randomInt(digits.length)]).join('');
}

/**
 * A SHA-512 crypt hash (`$6$`, U. Drepper, "Unix crypt using SHA-256 and SHA-512", version 0.6).
 *
 * @param phrase UTF-8; bytes, so that the caller can overwrite them afterwards, which no text allows
 * @param rounds 1000 to 999,999,999
 */
export function makePasswordHash(phrase: Uint8Array, salt: string, rounds: number): string {
  // The library hands its input on to node:crypto alone, which takes bytes as well as text.
  return encrypt(phrase as unknown as string, `$6$rounds=${rounds}$${salt}`);
}
