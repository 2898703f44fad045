import type { CardwrightError } from '../../contract/cardwright-error.ts';
import { adviseOn, describeFinding, type Finding } from '../../contract/finding.ts';
import { isRedactedKey, notShown, secretForms } from '../../contract/redacted-keys.ts';

/** Legal raw in JSON, and yet able to move a cursor or turn the direction of a line. */
const unsafeInJson = /[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]/gu;

/**
 * One JSON object on one line, ending without a newline. Integers past 2^53 become decimal strings, bytes lower-case
 * hex, dates ISO 8601; secrets are replaced.
 */
export function jsonLine(type: string, fields: object): string {
  const line = JSON.stringify(Object.assign({ type }, fields, { type }), replaceValue);
  return line.replace(unsafeInJson, escapeUnits);
}

/** RFC 8259, section 7: any character may be written as its UTF-16 units, "\\uXXXX" each. */
function escapeUnits(character: string): string {
  return character
    .split('')
    .map((unit) => `\\u${unit.charCodeAt(0).toString(16).padStart(4, '0')}`)
    .join('');
}

function replaceValue(this: unknown, key: string, value: unknown): unknown {
  const original = (this as Record<string, unknown>)[key];
  if (original === null || original === undefined) return original;
  if (isRedactedKey(key)) {
    return typeof original === 'boolean' ? original : notShown;
  }
  if (key === 'content' && (this as { secret?: unknown }).secret === true) return notShown;
  if (typeof original === 'bigint') {
    return Number.isSafeInteger(Number(original)) ? Number(original) : original.toString();
  }
  if (original instanceof Uint8Array) return Buffer.from(original).toString('hex');
  if (original instanceof Map) return Object.fromEntries(original);
  if (original instanceof Set) return [...original];
  if (typeof original === 'string' && secretForms.some((form) => form.test(original))) return notShown;
  return value;
}

/** A finding with the words that a person would read. */
export function findingFields(finding: Finding): object {
  return { ...finding, what: describeFinding(finding), next: adviseOn(finding) };
}

/** The JSON twin of the error screen; give it the type "error". */
export function errorFields(error: CardwrightError): object {
  const { code, facts, card, exitStatus, next } = error;
  return {
    code,
    what: error.message,
    next,
    exitStatus,
    card,
    facts,
    findings: error.findings.map(findingFields),
  };
}
