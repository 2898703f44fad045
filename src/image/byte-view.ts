/** A DataView over exactly these bytes, whatever larger buffer they lie in. */
export function viewOf(bytes: Uint8Array): DataView {
  return new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
}

/** A 64-bit little-endian number; null where it is beyond what a JavaScript number holds exactly. */
export function safeUint64(view: DataView, offset: number): number | null {
  const value = view.getBigUint64(offset, true);
  return value <= BigInt(Number.MAX_SAFE_INTEGER) ? Number(value) : null;
}

export function hexOf(bytes: Uint8Array): string {
  return Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength).toString('hex');
}

export function startsWith(bytes: Uint8Array, offset: number, expected: Uint8Array | string): boolean {
  const wanted = typeof expected === 'string' ? Buffer.from(expected, 'latin1') : expected;
  if (offset < 0 || offset + wanted.length > bytes.length) return false;
  return wanted.every((byte, i) => bytes[offset + i] === byte);
}

/** A text field of fixed width: ends at the first NUL, trailing blanks go; null where nothing is left. */
export function fixedText(
  bytes: Uint8Array,
  offset: number,
  length: number,
  encoding: 'latin1' | 'utf8' | 'utf16le' = 'utf8',
): string | null {
  const field = Buffer.from(bytes.subarray(offset, offset + length));
  const text = field.toString(encoding);
  const end = text.indexOf('\0');
  return (end < 0 ? text : text.slice(0, end)).trimEnd() || null;
}

const zeros = Buffer.alloc(2 ** 16);

export function isAllZero(bytes: Uint8Array): boolean {
  for (let at = 0; at < bytes.length; at += zeros.length) {
    const piece = bytes.subarray(at, at + zeros.length);
    if (zeros.compare(piece, 0, piece.length, 0, piece.length) !== 0) return false;
  }
  return true;
}
