import { fingerprintOf } from './fingerprint.ts';
import { checkBlob, isKeyType } from './public-key.ts';

/** One public key that may log in. */
export interface AuthorizedKey {
  /** as it goes to the node: options (if any), type, base64, comment */
  line: string;
  /** what stood before the type, e.g. `from="192.0.2.0/24"`; null where nothing did */
  options: string | null;
  type: string;
  bits: number;
  /** `SHA256:…` */
  fingerprint: string;
  comment: string;
  /** what speaks against it without forbidding it; null where nothing does */
  note: string | null;
}

export type AuthorizedKeyResult = { ok: true; key: AuthorizedKey } | { ok: false; reason: string };

/** sshd reads no longer line. */
const longestLine = 8192;

const refuse = (reason: string): AuthorizedKeyResult => ({ ok: false, reason });

/** Index behind the options: they end at the first blank outside quotes (sshd(8), "AUTHORIZED_KEYS FILE FORMAT"). */
function endOfOptions(line: string): number {
  let isQuoted = false;
  for (let at = 0; at < line.length; at++) {
    if (line[at] === '\\' && line[at + 1] === '"') at++;
    else if (line[at] === '"') isQuoted = !isQuoted;
    else if (!isQuoted && /[ \t]/.test(line[at] ?? '')) return at;
  }
  return line.length;
}

function whyNotALine(line: string): string | null {
  if (line.startsWith('\ufeff')) return 'it begins with a byte order mark; save it without one';
  if (line.includes('PRIVATE KEY')) {
    return 'this is a private key, which must stay where it is; give the file that ends in .pub';
  }
  if (line.startsWith('---- BEGIN SSH2'))
    return 'it is in the format of RFC 4716; convert it with ssh-keygen -i';
  if (line.length > longestLine) return `it is longer than ${longestLine} characters`;
  // biome-ignore lint/suspicious/noControlCharactersInRegex: control characters are what this finds
  return /[\u0000-\u0008\u000a-\u001f\u007f]/.test(line) ? 'it has control characters in it' : null;
}

/**
 * Reads one line of an authorized_keys or .pub file (sshd(8), "AUTHORIZED_KEYS FILE FORMAT"; blob: RFC 4253
 * section 6.6). RSA below 2048 bits, DSA, certificates and private keys are refused.
 */
export function parseAuthorizedKey(text: string): AuthorizedKeyResult {
  const line = text.replace(/\r?\n?$/, '').replace(/^[ \t]+|[ \t]+$/g, '');
  const why = whyNotALine(line);
  if (why !== null) return refuse(why);
  const [firstWord = ''] = line.split(/[ \t]/, 1);
  const optionsEnd = isKeyType(firstWord) ? 0 : endOfOptions(line);
  const options = optionsEnd === 0 ? null : line.slice(0, optionsEnd);
  const [type = '', base64 = '', ...rest] = line
    .slice(optionsEnd)
    .trim()
    .split(/[ \t]+/);
  if (type === '' || !isKeyType(type)) {
    return refuse('it is no public key line: a type like ssh-ed25519, the key, and a comment are expected');
  }
  if (!/^[A-Za-z0-9+/]+={0,2}$/.test(base64) || base64.length % 4 !== 0) {
    return refuse('the key itself is not whole: it is no proper base64');
  }
  const blob = Buffer.from(base64, 'base64');
  const checked = checkBlob(type, blob);
  if (!checked.ok) return checked;
  const { bits, note } = checked;
  return {
    ok: true,
    key: { line, options, type, bits, fingerprint: fingerprintOf(blob), comment: rest.join(' '), note },
  };
}

export interface KeyMistake {
  /** from 1 */
  lineNumber: number;
  reason: string;
}

/**
 * Reads a whole authorized_keys or .pub file; empty lines and lines that begin with # are passed over. All
 * mistakes are told together. A file without a key has one mistake.
 */
export function parseAuthorizedKeys(text: string): { keys: AuthorizedKey[]; mistakes: KeyMistake[] } {
  const keys: AuthorizedKey[] = [];
  const mistakes: KeyMistake[] = [];
  if (text.includes('PRIVATE KEY-----') || text.startsWith('---- BEGIN SSH2')) {
    const reason = whyNotALine(text.slice(0, longestLine)) ?? 'this is a private key';
    return { keys, mistakes: [{ lineNumber: 1, reason }] };
  }
  text.split('\n').forEach((line, index) => {
    if (/^\s*(#|$)/.test(line)) return;
    const result = parseAuthorizedKey(line);
    if (result.ok) keys.push(result.key);
    else mistakes.push({ lineNumber: index + 1, reason: result.reason });
  });
  if (keys.length + mistakes.length === 0) mistakes.push({ lineNumber: 1, reason: 'there is no key in it' });
  return { keys, mistakes };
}
