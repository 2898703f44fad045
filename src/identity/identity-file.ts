import * as z from 'zod';
import type { NodeFile } from '../contract/identity.ts';

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

const formatVersion = 1;
const largestBytes = 4096;

const shortText = z.string().min(1).max(200);
const identitySchema = z.strictObject({
  format: z.literal(formatVersion),
  set: shortText,
  node: shortText,
  record: shortText,
  imageSha256: z
    .string()
    .regex(/^[0-9a-f]{64}$/)
    .nullable(),
  tool: shortText,
  writtenAt: z.iso.datetime(),
});

/** The identity file as it goes into the boot volume: one JSON object over several lines, with a format version. */
export function makeIdentityFile(identity: NodeIdentity): NodeFile {
  const { set, node, record, imageSha256, tool, writtenAt } = identity;
  const content = { format: formatVersion, set, node, record, imageSha256, tool, writtenAt };
  return {
    path: identityFileName,
    content: Buffer.from(`${JSON.stringify(content, null, 2)}\n`),
    secret: false,
  };
}

export type IdentityResult = { ok: true; identity: NodeIdentity } | { ok: false; reason: string };

const refuse = (reason: string): IdentityResult => ({ ok: false, reason });

function parseJson(bytes: Uint8Array): { ok: true; value: unknown } | { ok: false } {
  try {
    return { ok: true, value: JSON.parse(new TextDecoder('utf-8', { fatal: true }).decode(bytes)) };
  } catch {
    // Foreign bytes that are no JSON: the caller says so.
    return { ok: false };
  }
}

/** Reads an identity file from a card, which anybody may have written: bounded, and nothing unknown is let through. */
export function readIdentityFile(bytes: Uint8Array): IdentityResult {
  if (bytes.length > largestBytes) return refuse(`it is larger than ${largestBytes} bytes`);
  const json = parseJson(bytes);
  if (!json.ok) return refuse('it is not JSON in UTF-8');
  const { value } = json;
  const format = typeof value === 'object' && value !== null && 'format' in value ? value.format : undefined;
  if (typeof format === 'number' && Number.isInteger(format) && format > formatVersion) {
    return refuse(`its format ${format} is newer than this version knows (${formatVersion})`);
  }
  const parsed = identitySchema.safeParse(value);
  if (!parsed.success) {
    const [first] = parsed.error.issues;
    return refuse(
      `its content is not as it was written (${first?.path.join('.') || 'as a whole'}: ${first?.code})`,
    );
  }
  const { format: _format, ...identity } = parsed.data;
  return { ok: true, identity };
}
