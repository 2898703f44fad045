import { createHmac } from 'node:crypto';

/** What stands in a secret's place: the same secret gives the same mark under one key, and a mark tells nothing else. */
function markOf(secret: string, key: Uint8Array): string {
  return `(secret ${createHmac('sha256', key).update(secret).digest('hex').slice(0, 6)})`;
}

/** RFC 7468 section 2: a private key with its lines. */
const pem = /-----BEGIN [A-Z ]*PRIVATE KEY-----[\s\S]*?-----END [A-Z ]*PRIVATE KEY-----/g;
/** crypt(5): "$id$" and what follows */
const hash = /\$(?:[0-9a-z]{1,8})\$[./0-9A-Za-z$=,-]{12,}/g;
/** a value of a setting whose name says that it is one; truth values are none */
const setting =
  /^([ \t]*(?:- )?["']?[\w-]*(?:passw|passphrase|psk|secret|token)[\w-]*["']?[ \t]*[:=](?![ \t]*(?:true|false|null)?[ \t]*$)[ \t]*)(\S.*)$/gim;
/** what a first boot is to put into files of the node, packed (RFC 4648 section 4): beside its name, or below it */
const packed = /^([ \t]*(?:- )?content:[ \t]*(?:!!binary[ \t]*)?["']?)([A-Za-z0-9+/]{8,}={0,2})(["']?)$/gm;
const begin = /^[ \t]*(?:- )?content:[ \t]*(?:!!binary[ \t]*)?[|>][-+0-9]*$/;
const packedLine = /^([ \t]+)([A-Za-z0-9+/]+={0,2})$/;
/** anything else that is packed and long, on a line of its own */
const longLine = /^([ \t]*)([A-Za-z0-9+/]{60,}={0,2})$/gm;

/** Packed content in lines below its name gives way to one mark. */
function withoutPackedLines(text: string, key: Uint8Array): string {
  const kept: string[] = [];
  let run = null as { indent: string; value: string } | null;
  let isBelow = false;
  for (const line of [...text.split('\n'), null]) {
    const [, indent, value] = (line !== null && isBelow && packedLine.exec(line)) || [];
    if (indent !== undefined && value !== undefined) {
      run = { indent: run?.indent ?? indent, value: (run?.value ?? '') + value };
      continue;
    }
    if (run) kept.push(run.indent + markOf(run.value, key));
    run = null;
    if (line === null) break;
    isBelow = begin.test(line);
    kept.push(line);
  }
  return kept.join('\n');
}

/**
 * A text of a boot volume with its secrets taken out: private keys, password hashes, values of settings that are named
 * so, packed contents, and `known`, the plan's own. For looking at only: what a secret looks like cannot be known in
 * every file, so files of the plan itself are not to be shown at all.
 *
 * @param key new for each look, so that marks cannot be compared with guesses; 32 bytes
 */
export function maskSecrets(text: string, known: readonly string[], key: Uint8Array): string {
  let masked = withoutPackedLines(text, key);
  for (const secret of known.filter(({ length }) => length >= 8)) {
    masked = masked.replaceAll(secret, markOf(secret, key));
  }
  return masked
    .replace(pem, (whole) => markOf(whole, key))
    .replace(setting, (whole, name: string, value: string) =>
      value.startsWith('(secret ') ? whole : `${name}${markOf(value, key)}`,
    )
    .replace(packed, (_whole, name: string, value: string, end: string) => name + markOf(value, key) + end)
    .replace(longLine, (_whole, indent: string, value: string) => indent + markOf(value, key))
    .replace(hash, (value) => markOf(value, key));
}
