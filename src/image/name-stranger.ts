import { CardwrightError } from '../contract/cardwright-error.ts';
import { isAllZero, startsWith, viewOf } from './byte-view.ts';
import { detectContainer } from './container/detect-container.ts';
import { nameText } from './name-text.ts';
import { nameByMagic } from './stranger-magics.ts';

/** How many bytes of a file's beginning and end tell what it is. */
export const strangerHeadBytes = 4096;
export const strangerTailBytes = 512;

/** A tar header without the "ustar" of POSIX.1-1988: its checksum (six octal digits at 148) has to be right. */
function isOldTar(head: Uint8Array): boolean {
  if (head.length < 512 || head[0] === 0) return false;
  const stored = Number.parseInt(Buffer.from(head.subarray(148, 156)).toString('latin1').trim(), 8);
  let sum = 8 * 0x20;
  for (let i = 0; i < 512; i++) if (i < 148 || i >= 156) sum += head[i] ?? 0;
  return stored === sum;
}

/** "MZ" alone may begin a boot sector; a program also has "PE" where its header says. */
function isWindowsProgram(head: Uint8Array): boolean {
  if (!startsWith(head, 0, 'MZ') || head.length < 64) return false;
  return startsWith(head, viewOf(head).getUint32(60, true), 'PE\0\0');
}

/**
 * Names what is certainly not a disk image, by its content: web page, tarball, other disk formats, text, … Null for
 * what may be one, also where nothing in it is recognised.
 * @param head the first 4096 bytes, or all of it
 * @param tail the last 512 bytes; null where they are not at hand
 */
export function nameStranger(head: Uint8Array, tail: Uint8Array | null): string | null {
  return (
    nameByMagic(head, tail) ??
    (isOldTar(head) ? 'a tarball' : null) ??
    (isWindowsProgram(head) ? 'a program' : null) ??
    nameText(head.subarray(0, strangerHeadBytes))
  );
}

export interface NamedContent {
  path: string;
  head: Uint8Array;
  tail: Uint8Array | null;
  /** the container it was unpacked from; `raw` where it was not */
  container: string;
}

/** @throws CardwrightError image.not-an-image; image.nested-container where a packed file holds another one */
export function refuseStranger({ path, head, tail, container }: NamedContent): void {
  const suffix = container === 'raw' ? '' : ` (inside the ${container} file)`;
  const kind = nameStranger(head, tail);
  if (kind) throw new CardwrightError('image.not-an-image', { facts: { path, kind: `${kind}${suffix}` } });
  const inner = container === 'raw' ? 'raw' : detectContainer(head);
  if (inner !== 'raw') {
    throw new CardwrightError('image.nested-container', { facts: { path, outer: container, inner } });
  }
}

/** @throws CardwrightError image.not-an-image */
export function refuseAllZero(path: string, container: string): never {
  const suffix = container === 'raw' ? '' : ` (inside the ${container} file)`;
  throw new CardwrightError('image.not-an-image', { facts: { path, kind: `nothing but zeros${suffix}` } });
}

/** Whether a source has nothing but zeros in it; stops at the first piece that is not. */
export function isZeroThroughout(source: {
  sizeBytes: number;
  read(offset: number, length: number): Uint8Array;
}): boolean {
  const pieceBytes = 2 ** 20;
  for (let at = 0; at < source.sizeBytes; at += pieceBytes) {
    if (!isAllZero(source.read(at, Math.min(pieceBytes, source.sizeBytes - at)))) return false;
  }
  return true;
}
