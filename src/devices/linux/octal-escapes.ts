/**
 * Undoes the kernel's `\ooo` escapes in /proc/*\/mountinfo, /proc/swaps and fstab (seq_escape in the kernel,
 * getmntent(3)). The escapes stand for bytes, so the result is read as UTF-8 again.
 */
export function unescapeOctal(text: string): string {
  if (!/\\[0-7]{3}/.test(text)) return text;
  const bytes: number[] = [];
  const encoded = new TextEncoder().encode(text);
  for (let at = 0; at < encoded.length; at++) {
    const digits = encoded[at] === 0x5c ? String.fromCharCode(...encoded.subarray(at + 1, at + 4)) : '';
    if (/^[0-3][0-7]{2}$/.test(digits)) {
      bytes.push(Number.parseInt(digits, 8));
      at += 3;
    } else {
      bytes.push(encoded[at] ?? 0);
    }
  }
  return new TextDecoder('utf-8', { ignoreBOM: true }).decode(Uint8Array.from(bytes));
}
