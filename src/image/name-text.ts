const byteOrderMarks = ['efbbbf', 'fffe', 'feff'].map((digits) => Buffer.from(digits, 'hex'));

/** What a text is, most telling first; tried on its beginning. */
const texts: readonly [RegExp, string][] = [
  [/<!doctype html|<html[\s>]|<head[\s>]|<body[\s>]/i, 'a web page'],
  [/^\s*<\?xml/i, 'an XML document'],
  [/^-----BEGIN PGP SIGNED MESSAGE-----/m, 'a signed text'],
  [/^-----BEGIN PGP SIGNATURE-----/m, 'a signature'],
  [/^-----BEGIN /m, 'a key or a certificate'],
  [/^\\?[0-9a-f]{32,128} [ *]\S/im, 'a checksum file'],
  [/^(SHA\d+|MD5|BLAKE2b) \(.+\) = [0-9a-f]+\s*$/im, 'a checksum file'],
  [/^#!/, 'a script'],
  [/^d8:announce/, 'a torrent file'],
  [/^\s*[{[]\s*["{[]/, 'a JSON document'],
];

function decodeText(bytes: Uint8Array): string | null {
  const buffer = Buffer.from(bytes);
  const mark = byteOrderMarks.find((bom) => buffer.subarray(0, bom.length).equals(bom));
  if (mark?.[0] === 0xff) return buffer.toString('utf16le');
  if (mark?.[0] === 0xfe)
    return buffer
      .subarray(0, buffer.length & ~1)
      .swap16()
      .toString('utf16le');
  try {
    // a cut at the end of the head may split a character
    return new TextDecoder('utf-8', { fatal: true }).decode(buffer, { stream: true });
  } catch {
    return null;
  }
}

// biome-ignore lint/suspicious/noControlCharactersInRegex: control characters are what tells text from data
const notText = /[\u0000-\u0008\u000e-\u001a\u001c-\u001f\u007f]/;

/**
 * What kind of text these first bytes are; null where they are not text at all. No image begins with four thousand
 * bytes of text, so text is never an image, whatever it says.
 */
export function nameText(head: Uint8Array): string | null {
  if (head.length === 0) return null;
  const text = decodeText(head.subarray(0, 4096));
  // nothing but the beginning of a character is no text
  if (!text || notText.test(text)) return null;
  return texts.find(([pattern]) => pattern.test(text))?.[1] ?? 'a text file';
}
