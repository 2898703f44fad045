import type { Signature } from '../../contract/devices.ts';
import { decodeUdev } from './decode-udev.ts';

/** The pairs of `blkid -o udev` (blkid(8)); the `_ENC` values are unambiguous where `export` shows labels in M- notation. */
export function parseBlkidPairs(text: string): Map<string, string> {
  const pairs = new Map<string, string>();
  for (const line of text.split('\n')) {
    const at = line.indexOf('=');
    if (at > 0) pairs.set(line.slice(0, at), line.slice(at + 1));
  }
  return pairs;
}

function encodedValue(pairs: ReadonlyMap<string, string>, name: string): string | null {
  const value = pairs.get(`${name}_ENC`);
  return value === undefined ? null : decodeUdev(value);
}

/**
 * What stands on `on` by low-level probing; empty where there is neither content nor a table. Where blkid found
 * several kinds of content at once ("ambivalent", `usage:type:version` each), every one is a signature of its own.
 */
export function signaturesOf(on: string, pairs: ReadonlyMap<string, string>): Signature[] {
  const plain = { on, label: null, uuid: null, tableType: null };
  const several = (pairs.get('ID_FS_AMBIVALENT') ?? '').split(' ').filter((one) => one !== '');
  if (several.length > 0) {
    return several.map((one) => {
      const [usage = null, type = null] = one.split(':');
      return { ...plain, usage, type };
    });
  }
  const type = pairs.get('ID_FS_TYPE') ?? null;
  const tableType = pairs.get('ID_PART_TABLE_TYPE') ?? null;
  if (type === null && tableType === null) return [];
  const uuid = encodedValue(pairs, 'ID_FS_UUID') ?? pairs.get('ID_PART_TABLE_UUID') ?? null;
  const usage = pairs.get('ID_FS_USAGE') ?? null;
  return [{ on, type, usage, label: encodedValue(pairs, 'ID_FS_LABEL'), uuid, tableType }];
}
