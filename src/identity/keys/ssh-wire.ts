/** A length-prefixed string (RFC 4251 section 5). */
export function encodeString(content: Uint8Array | string): Buffer {
  const bytes = Buffer.from(content);
  const length = Buffer.alloc(4);
  length.writeUInt32BE(bytes.length);
  return Buffer.concat([length, bytes]);
}

/** An unsigned 32-bit number (RFC 4251 section 5). */
export function encodeUint32(value: number): Buffer {
  const bytes = Buffer.alloc(4);
  bytes.writeUInt32BE(value);
  return bytes;
}

/** An unsigned number, big-endian, as an mpint (RFC 4251 section 5): no zero in front but the one that keeps it positive. */
export function asMpint(number: Uint8Array): Buffer {
  const first = number.findIndex((byte) => byte !== 0);
  const digits = first < 0 ? Buffer.alloc(0) : Buffer.from(number.subarray(first));
  return (digits[0] ?? 0) > 127 ? Buffer.concat([Buffer.alloc(1), digits]) : digits;
}

/** The string that begins at a place, and where it ends; null where it is not whole. */
export function takeString(bytes: Buffer, at: number): { content: Buffer; end: number } | null {
  if (at + 4 > bytes.length) return null;
  const end = at + 4 + bytes.readUInt32BE(at);
  return end > bytes.length ? null : { content: bytes.subarray(at + 4, end), end };
}

/** Takes a blob apart into its strings; null where it is not made of whole strings. */
export function decodeStrings(blob: Uint8Array): Buffer[] | null {
  const bytes = Buffer.from(blob);
  const strings: Buffer[] = [];
  for (let at = 0; at < bytes.length; ) {
    const string = takeString(bytes, at);
    if (string === null) return null;
    strings.push(string.content);
    at = string.end;
  }
  return strings;
}
