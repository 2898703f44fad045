/**
 * Control, format (joiners, direction marks, invisible tags), line and paragraph separators, lone surrogates (Unicode
 * general categories Cc, Cf, Zl, Zp, Cs), and the replacement character, which hides what stood there.
 */
const unsafe = /[\p{Cc}\p{Cf}\p{Zl}\p{Zp}\p{Cs}\ufffd]/gu;

/**
 * Makes foreign text (vendor strings, labels, file names, a child's output) safe to show: control and
 * direction-changing characters become `\xNN` or `\u{NNNN}`, so that no card can move a cursor or forge a line.
 * Long text is cut at `most` UTF-16 units, and shows that with "…".
 */
export function escapeText(text: string, most = 200): string {
  const safe = text.replace(unsafe, (c) => {
    const code = c.codePointAt(0) ?? 0;
    return code < 0x100 ? `\\x${code.toString(16).padStart(2, '0')}` : `\\u{${code.toString(16)}}`;
  });
  if (safe.length <= most) return safe;
  // A pair of surrogates is not cut in half.
  return `${safe.slice(0, most - 1).replace(/[\ud800-\udbff]$/, '')}…`;
}
