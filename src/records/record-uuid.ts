import { randomBytes } from 'node:crypto';

/** No I, L, O, U: what is read off a label or a screen is typed back the same (common practice, no source). */
const alphabet = '0123456789ABCDEFGHJKMNPQRSTVWXYZ';

/** A short public id for one record: 12 characters, 60 random bits. */
export function newRecordUuid(random: (length: number) => Uint8Array = randomBytes): string {
  return [...random(12)].map((byte) => alphabet[byte % alphabet.length]).join('');
}

const shape = new RegExp(`^[${alphabet}]{12}$`);

export function isRecordUuid(text: string): boolean {
  return shape.test(text);
}
