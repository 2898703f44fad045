/** Undoes udev's `\xHH` for bytes it holds unsafe in names and `_ENC` values (systemd: encode_devnode_name). */
export function decodeUdev(text: string): string {
  if (!text.includes('\\x')) return text;
  const encoded = new TextEncoder().encode(text);
  const bytes: number[] = [];
  for (let at = 0; at < encoded.length; at++) {
    const four = String.fromCharCode(...encoded.subarray(at, at + 4));
    if (/^\\x[0-9a-f]{2}$/i.test(four)) {
      bytes.push(Number.parseInt(four.slice(2), 16));
      at += 3;
    } else {
      bytes.push(encoded[at] ?? 0);
    }
  }
  return new TextDecoder('utf-8', { ignoreBOM: true }).decode(Uint8Array.from(bytes));
}
