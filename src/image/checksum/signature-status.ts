import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Code } from '../../contract/catalogue/index.ts';
import type { Facts } from '../../contract/finding.ts';

const prefix = '[GNUPG:] ';

/** Status lines of gpgv (GnuPG doc/DETAILS, "Format of the --status-fd output"): keyword and arguments. */
function statusLines(status: string): string[][] {
  return status
    .split('\n')
    .filter((line) => line.startsWith(prefix))
    .map((line) => line.slice(prefix.length).trim().split(' '));
}

export interface SignatureFacts {
  file: string;
  keyring: string;
}

/**
 * Decides on the status lines alone. Good is: exit status 0, a VALIDSIG, and not one line that speaks against any
 * signature in the file.
 * @returns fingerprint of the primary key of every good signature
 * @throws CardwrightError image.signature-bad, -key-unknown, -key-expired, -key-revoked, -missing
 */
export function judgeSignature(
  { status, exitCode, stderr }: { status: string; exitCode: number | undefined; stderr: string },
  { file, keyring }: SignatureFacts,
): string[] {
  const lines = statusLines(status);
  const find = (...keywords: string[]) => lines.find(([keyword]) => keyword && keywords.includes(keyword));
  const refuse = (code: Code, facts: Facts) => new CardwrightError(code, { facts: { file, ...facts } });

  if (find('BADSIG')) throw refuse('image.signature-bad', {});
  const revoked = find('REVKEYSIG', 'KEYREVOKED');
  if (revoked) throw refuse('image.signature-key-revoked', { key: revoked[1] ?? 'unknown' });
  const expired = find('EXPKEYSIG', 'EXPSIG', 'KEYEXPIRED', 'SIGEXPIRED');
  if (expired) throw refuse('image.signature-key-expired', { key: expired[1] ?? 'unknown' });
  const unknown = find('NO_PUBKEY');
  if (unknown) throw refuse('image.signature-key-unknown', { key: unknown[1] ?? 'unknown', keyring });
  const valid = lines.filter(([keyword]) => keyword === 'VALIDSIG');
  if (exitCode !== 0 || valid.length === 0 || find('ERRSIG', 'NODATA', 'UNEXPECTED', 'BADARMOR')) {
    const said = stderr.split('\n').find((line) => line.trim() !== '');
    throw refuse('image.signature-missing', { detail: said ?? 'gpgv found none' });
  }
  // the last argument is the fingerprint of the primary key, the first that of the subkey that signed
  return valid.map((line) => line[10] ?? line[1] ?? '');
}
