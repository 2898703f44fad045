import { randomBytes } from 'node:crypto';
import * as fs from 'node:fs';
import { join } from 'node:path';

const form = /^[A-Za-z0-9_-]{43}$/;

/**
 * The secret by which the daemon tells one person's jobs from another's: 32 random bytes (base64url) in a file of the
 * person's own (0600), made at the first call.
 */
export function clientSecret(folder: string): string {
  const path = join(folder, 'client-secret');
  const kept = readKept(path);
  if (kept !== null) return kept;
  fs.mkdirSync(folder, { recursive: true, mode: 0o700 });
  const draft = `${path}.${process.pid}.new`;
  fs.writeFileSync(draft, randomBytes(32).toString('base64url'), { mode: 0o600, flag: 'wx' });
  try {
    fs.linkSync(draft, path);
  } catch (error) {
    // Another command of ours was faster: that one's holds.
    if ((error as NodeJS.ErrnoException).code !== 'EEXIST') throw error;
  } finally {
    fs.rmSync(draft, { force: true });
  }
  return readKept(path) ?? clientSecret(folder);
}

function readKept(path: string): string | null {
  if (!fs.existsSync(path)) return null;
  const text = fs.readFileSync(path, 'utf8').trim();
  if (form.test(text)) return text;
  fs.rmSync(path);
  return null;
}
