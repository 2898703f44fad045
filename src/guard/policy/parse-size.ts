const unitBytes: Readonly<Record<string, number>> = {
  b: 1,
  kb: 1e3,
  mb: 1e6,
  gb: 1e9,
  tb: 1e12,
  kib: 2 ** 10,
  mib: 2 ** 20,
  gib: 2 ** 30,
  tib: 2 ** 40,
};

/**
 * A size in bytes from a whole number or from text such as `64 GB` or `59.5GiB` (decimal and binary prefixes of
 * IEC 80000-13, without regard to case; rounded down to whole bytes). Null where it is neither, zero or too large.
 */
export function parseSize(value: unknown): number | null {
  const bytes = typeof value === 'string' ? bytesOfText(value) : value;
  return Number.isSafeInteger(bytes) && Number(bytes) > 0 ? Number(bytes) : null;
}

/** NaN where the text is no size. */
function bytesOfText(text: string): number {
  const parts = /^(\d+(?:\.\d+)?)\s*([kmgt]i?b|b)$/i.exec(text.trim());
  const unit = unitBytes[parts?.[2]?.toLowerCase() ?? ''];
  return Math.floor(Number(parts?.[1]) * Number(unit));
}
