// biome-ignore lint/suspicious/noControlCharactersInRegex: control characters are what this removes
const unsafe = /[\u0000-\u001f\u007f-\u009f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff\ufffd]/gu;

/**
 * Makes foreign text (vendor strings, labels, file names, a child's output) safe to show: control and
 * direction-changing characters become `\xNN` or `\u{NNNN}`, so that no card can move a cursor or forge a line.
 * Long text is cut at `most` characters.
 */
export function escapeText(text: string, most = 200): string {
  const safe = text.replace(unsafe, (c) => {
    const code = c.codePointAt(0) ?? 0;
    return code < 0x100 ? `\\x${code.toString(16).padStart(2, '0')}` : `\\u{${code.toString(16)}}`;
  });
  return safe.length > most ? `${safe.slice(0, most - 1)}…` : safe;
}
