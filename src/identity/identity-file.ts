import { createHash } from 'node:crypto';
import * as z from 'zod';
import { CardwrightError } from '../contract/cardwright-error.ts';
import type { NodeFile } from '../contract/identity.ts';
import type { ListedFile } from './listed-files.ts';

/** Name in the root of the boot volume. */
export const identityFileName = 'cardwright.node';

/** Which node, set, image and record a card is; nothing secret. */
export interface NodeIdentity {
  set: string;
  node: string;
  /** the record's UUID */
  record: string;
  /** SHA-256 of the image as stored, 64 lower-case hex digits; null where it was not computed */
  imageSha256: string | null;
  /** version of the tool */
  tool: string;
  /** ISO 8601 in UTC */
  writtenAt: string;
}

/** What was put into the boot volume beside the identity file. */
export interface CardListing {
  files: ListedFile[];
  /** folders that were made for them, the outer ones first */
  folders: string[];
}

export interface IdentityFile {
  identity: NodeIdentity;
  /** null in format 1, which had none */
  listing: CardListing | null;
  /** is its last line the digest of the others? null in format 1, which had no such line */
  isIntact: boolean | null;
}

const formatVersion = 2;
const largestBytes = 2 ** 20;
const mostFiles = 2000;

const shortText = z.string().min(1).max(200);
const pathText = z.string().min(1).max(2100);
const digestText = z.string().regex(/^[0-9a-f]{64}$/);
const identityShape = {
  set: shortText,
  node: shortText,
  record: shortText,
  imageSha256: digestText.nullable(),
  tool: shortText,
  writtenAt: z.iso.datetime(),
};
const schemas = {
  1: z.strictObject({ format: z.literal(1), ...identityShape }),
  2: z.strictObject({
    format: z.literal(2),
    ...identityShape,
    files: z
      .array(
        z.strictObject({
          path: pathText,
          sizeBytes: z.int().nonnegative(),
          sha256: digestText.nullable(),
          hmac: digestText.nullable(),
        }),
      )
      .max(mostFiles),
    folders: z.array(pathText).max(mostFiles),
    sha256: digestText,
  }),
};

/**
 * The identity file as it goes into the boot volume: one JSON object over several lines.
 *
 * Format 2: `format`, the fields of `NodeIdentity`, `files` (all that was put into the boot volume, as `ListedFile`),
 * `folders`, and as the last member `sha256`: SHA-256 (FIPS 180-4) over the bytes of the lines before it, so that
 * `head -n -2 cardwright.node | sha256sum` gives the same. The record keeps the SHA-256 of the whole file: by that,
 * and not by the last line, which anybody can make, a station knows its own cards. Format 1 ended with `writtenAt`.
 *
 * @throws CardwrightError `identity.file-unmakeable` where it could not be read again, as with too many files
 */
export function makeIdentityFile(identity: NodeIdentity, listing: CardListing): NodeFile {
  const { set, node, record, imageSha256, tool, writtenAt } = identity;
  const { files, folders } = listing;
  const content = { format: formatVersion, set, node, record, imageSha256, tool, writtenAt, files, folders };
  const lines = `${JSON.stringify(content, null, 2).slice(0, -2)},\n`;
  const bytes = Buffer.from(`${lines}  "sha256": "${digestOf(lines)}"\n}\n`);
  const again = readIdentityFile(bytes);
  if (!again.ok) throw new CardwrightError('identity.file-unmakeable', { facts: { reason: again.reason } });
  return { path: identityFileName, content: bytes, secret: false };
}

function digestOf(bytes: string | Uint8Array): string {
  return createHash('sha256').update(bytes).digest('hex');
}

export type IdentityResult = ({ ok: true } & IdentityFile) | { ok: false; reason: string };

const refuse = (reason: string): IdentityResult => ({ ok: false, reason });

function parseJson(bytes: Uint8Array): { text: string; value: unknown } | null {
  try {
    const text = new TextDecoder('utf-8', { fatal: true, ignoreBOM: true }).decode(bytes);
    return { text, value: JSON.parse(text) };
  } catch {
    // Foreign bytes that are no JSON: the caller says so.
    return null;
  }
}

const lastLine = /^([\s\S]*\n) {2}"sha256": "([0-9a-f]{64})"\n}\n$/;

function isIntact(text: string): boolean {
  const [, lines, digest] = lastLine.exec(text) ?? [];
  return lines !== undefined && digestOf(lines) === digest;
}

/** Reads an identity file from a card, which anybody may have written: bounded, and nothing unknown is let through. */
export function readIdentityFile(bytes: Uint8Array): IdentityResult {
  if (bytes.length > largestBytes) return refuse(`it is larger than ${largestBytes} bytes`);
  const json = parseJson(bytes);
  if (!json) return refuse('it is not JSON in UTF-8');
  const { text, value } = json;
  const format = typeof value === 'object' && value !== null && 'format' in value ? value.format : undefined;
  if (typeof format === 'number' && Number.isInteger(format) && format > formatVersion) {
    return refuse(`its format ${format} is newer than this version knows (${formatVersion})`);
  }
  const parsed = (format === 1 ? schemas[1] : schemas[2]).safeParse(value);
  if (!parsed.success) {
    const [first] = parsed.error.issues;
    return refuse(
      `its content is not as it was written (${first?.path.join('.') || 'as a whole'}: ${first?.code})`,
    );
  }
  if (parsed.data.format === 1) {
    const { format: _format, ...identity } = parsed.data;
    return { ok: true, identity, listing: null, isIntact: null };
  }
  const { format: _format, sha256: _sha256, files, folders, ...identity } = parsed.data;
  return { ok: true, identity, listing: { files, folders }, isIntact: isIntact(text) };
}
