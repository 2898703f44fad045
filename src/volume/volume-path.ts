import { CardwrightError } from '../contract/cardwright-error.ts';

const deepest = 8;
// Names that systems of that family keep for devices, with or without an ending.
const deviceName = /^(con|prn|aux|nul|com[1-9]|lpt[1-9])(\.|$)/i;
// biome-ignore lint/suspicious/noControlCharactersInRegex: control characters are what this finds
const forbidden = /[\u0000-\u001f\u007f"*:<>?|\\]/;

function checkName(name: string): string | null {
  if (name === '') return 'a part of it is empty';
  if (name === '.' || name === '..') return '"." and ".." are no names';
  if (name.length > 255) return 'a name has at most 255 characters';
  if (forbidden.test(name)) return 'it has a character that FAT does not allow';
  if (/[\ud800-\udfff]/u.test(name)) return 'it is not proper Unicode';
  if (/[. ]$/.test(name)) return 'a name cannot end with a dot or a blank, FAT drops them';
  return deviceName.test(name) ? 'it is a device’s name on other systems' : null;
}

/**
 * Why a path (names with forward slashes between, from the root) cannot be a file in a FAT volume, or null.
 * Microsoft FAT32 File System Specification 1.03, "Long Directory Entries": allowed characters, 255 at most.
 */
export function checkVolumePath(path: string): string | null {
  const names = path.split('/');
  if (names.length > deepest) return `folders are at most ${deepest - 1} deep`;
  for (const name of names) {
    const why = checkName(name);
    if (why !== null) return why;
  }
  return null;
}

/** @throws CardwrightError volume.bad-name */
export function splitVolumePath(path: string): string[] {
  const why = checkVolumePath(path);
  if (why !== null) throw new CardwrightError('volume.bad-name', { facts: { path, why } });
  return path.split('/');
}
