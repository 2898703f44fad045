const shaRounds = /^rounds=([0-9]+)\$/;

function checkShaCrypt(rest: string, digestLength: number): string | null {
  const rounds = shaRounds.exec(rest);
  const count = Number(rounds?.[1] ?? 5000);
  // libxcrypt answers `*0` below this, and then nobody gets in.
  if (count < 1000 || count > 999_999_999)
    return `its rounds must lie between 1000 and 999999999, not at ${count}`;
  const [salt = '', digest = '', ...more] = rest.slice(rounds?.[0].length ?? 0).split('$');
  const isWhole =
    more.length === 0 &&
    /^[./A-Za-z0-9]{1,16}$/.test(salt) &&
    new RegExp(`^[./A-Za-z0-9]{${digestLength}}$`).test(digest);
  return isWhole ? null : 'it is cut short or damaged';
}

const yescrypt = /^[./A-Za-z0-9]+\$[./A-Za-z0-9]{1,86}\$[./A-Za-z0-9]{43}$/;
const bcrypt = /^[0-9]{2}\$[./A-Za-z0-9]{53}$/;

/**
 * Why a text is no password hash that a node can take (crypt(5) of libxcrypt: sha512crypt, sha256crypt, yescrypt,
 * bcrypt), or null. The text itself never appears in the reason.
 */
export function checkPasswordHash(text: string): string | null {
  const [, method, rest = ''] = /^\$([a-z0-9]+)\$(.*)$/s.exec(text) ?? [];
  if (method === undefined) {
    return 'it is no password hash; make one with mkpasswd, and never put the password itself into a plan';
  }
  if (method === '6') return checkShaCrypt(rest, 86);
  if (method === '5') return checkShaCrypt(rest, 43);
  if (method === 'y') return yescrypt.test(rest) ? null : 'it is cut short or damaged';
  if (method === '2b' || method === '2y') return bcrypt.test(rest) ? null : 'it is cut short or damaged';
  if (method === '1') return 'it is an MD5 hash, which is guessed quickly; make a new one with mkpasswd';
  return `its method "${method.slice(0, 10)}" is not one that nodes are sure to know`;
}
