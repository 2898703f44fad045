import path from 'node:path';
import { execa } from 'execa';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { openSource } from '../container/open-source.ts';
import { judgeSignature } from './signature-status.ts';

/** No checksum file is larger than this. */
const mostBytes = 16 * 2 ** 20;

export interface SignatureOrder {
  /** the signed file, or a file that is clear-signed itself */
  file: string;
  /** the detached signature; null where the file carries its own */
  signature: string | null;
  /** binary keyring, as gpgv reads it */
  keyring: string;
}

export interface VerifiedText {
  /** exactly the bytes that the signature covers */
  text: string;
  /** fingerprints of the primary keys that signed */
  fingerprints: string[];
}

/** Whether a text is clear-signed (RFC 9580 section 7): it carries its signature inside. */
export function isClearSigned(text: string): boolean {
  return /^-----BEGIN PGP SIGNED MESSAGE-----\r?$/m.test(text);
}

/** @throws CardwrightError image.unreadable, image.not-a-regular-file, image.sums-unreadable */
export function readSmallFile(file: string): Buffer {
  const source = openSource(file);
  try {
    if (source.sizeBytes > mostBytes) {
      const problem = `it has ${source.sizeBytes} bytes`;
      throw new CardwrightError('image.sums-unreadable', { facts: { file, problem } });
    }
    return Buffer.from(source.read(0, source.sizeBytes));
  } finally {
    source.close();
  }
}

function requireBinaryKeyring(keyring: string): void {
  const source = openSource(keyring);
  try {
    const head = Buffer.from(source.read(0, Math.min(4096, source.sizeBytes))).toString('latin1');
    if (head.includes('-----BEGIN PGP')) {
      throw new CardwrightError('image.keyring-armored', { facts: { keyring } });
    }
  } finally {
    source.close();
  }
}

/**
 * Checks a signature with gpgv against one keyring and no other; no agent, no trust database, no network.
 * What was signed goes in through a pipe and only what gpgv covers comes back, so nobody can exchange it between.
 * @throws CardwrightError image.signature-*, image.keyring-armored, image.decoder-missing, image.unreadable
 */
export async function verifySignature({ file, signature, keyring }: SignatureOrder): Promise<VerifiedText> {
  requireBinaryKeyring(keyring);
  const signed = readSmallFile(file);
  // a signature file that cannot be read is said by name, not by what gpgv makes of it
  if (signature !== null) openSource(signature).close();
  const what = signature === null ? ['--output', '-'] : ['--', path.resolve(signature), '-'];
  const result = await execa('gpgv', ['--status-fd', '3', '--keyring', path.resolve(keyring), ...what], {
    input: signed,
    stdio: ['pipe', 'pipe', 'pipe', 'pipe'],
    env: { LC_ALL: 'C', PATH: process.env.PATH ?? '/usr/bin:/bin', HOME: '/nonexistent' },
    extendEnv: false,
    cwd: '/',
    reject: false,
    stripFinalNewline: false,
    maxBuffer: 2 * mostBytes,
  });
  if (result.code === 'ENOENT') {
    throw new CardwrightError('image.decoder-missing', { facts: { program: 'gpgv', package: 'gpgv' } });
  }
  const fingerprints = judgeSignature(
    { status: String(result.stdio[3] ?? ''), exitCode: result.exitCode, stderr: result.stderr },
    { file, keyring },
  );
  return { text: signature === null ? result.stdout : signed.toString('utf8'), fingerprints };
}
