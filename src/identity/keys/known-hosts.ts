import { createHmac } from 'node:crypto';

/** As a client looks a host up: its name or address, at a port other than 22 `[name]:port`. */
const placeOf = (name: string, port: number) => (port === 22 ? name : `[${name}]:${port}`);

/** Type and key alone: a comment is no part of what is compared. */
const bareKey = (publicLine: string) => publicLine.split(' ').slice(0, 2).join(' ');

/**
 * A known_hosts line (sshd(8), "SSH_KNOWN_HOSTS FILE FORMAT"): names and addresses, separated by commas, then the
 * key without its comment.
 */
export function makeKnownHostsLine(names: readonly string[], publicLine: string, port = 22): string {
  return `${names.map((name) => placeOf(name, port)).join(',')} ${bareKey(publicLine)}`;
}

/**
 * The same for one name that shall not be read out of the file (ssh_config(5), "HashKnownHosts"): `|1|salt|hash`, the
 * hash HMAC-SHA-1 of the name.
 * @param salt 20 random bytes, new for each line
 */
export function makeHashedKnownHostsLine(
  name: string,
  publicLine: string,
  salt: Uint8Array,
  port = 22,
): string {
  const hash = createHmac('sha1', salt).update(placeOf(name, port)).digest('base64');
  return `|1|${Buffer.from(salt).toString('base64')}|${hash} ${bareKey(publicLine)}`;
}
