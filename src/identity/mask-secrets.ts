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
/** what a first boot is to put into files of the node, packed (RFC 4648 section 4) */
const packed = /^([ \t]*(?:- )?content:[ \t]*(?:!!binary[ \t]*)?["']?)([A-Za-z0-9+/]{8,}={0,2})(["']?)$/gm;

/**
 * A text of a boot volume with its secrets taken out: private keys, password hashes, values of settings that are named
 * so, packed contents, and `known`, the plan's own. For looking at only: what a secret looks like cannot be known in
 * every file, so files of the plan itself are not to be shown at all.
 *
 * @param key new for each look, so that marks cannot be compared with guesses; 32 bytes
 */
export function maskSecrets(text: string, known: readonly string[], key: Uint8Array): string {
  let masked = text;
  for (const secret of known.filter(({ length }) => length >= 8)) {
    masked = masked.replaceAll(secret, markOf(secret, key));
  }
  return masked
    .replace(pem, (whole) => markOf(whole, key))
    .replace(setting, (whole, name: string, value: string) =>
      value.startsWith('(secret ') ? whole : `${name}${markOf(value, key)}`,
    )
    .replace(packed, (_whole, begin: string, value: string, end: string) => begin + markOf(value, key) + end)
    .replace(hash, (value) => markOf(value, key));
}
