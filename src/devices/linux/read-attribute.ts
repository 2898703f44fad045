import type { UnseenFact } from '../../contract/devices.ts';
import type { Answer, SystemReader } from '../../contract/system-reader.ts';

/** What sysfs answers where an attribute does not exist for this kind of device. */
const absent = new Set(['ENOENT', 'ENOTDIR', 'ENODEV', 'ENODATA', 'EINVAL']);

export function isAbsent(answer: Answer<unknown>): boolean {
  return !answer.ok && absent.has(answer.why);
}

/** One folder of sysfs whose attributes are read one by one; what cannot be read is noted in `unseen`. */
export interface AttributeSource {
  reader: SystemReader;
  folder: string;
  unseen: UnseenFact[];
}

/** The trimmed text of an attribute that some devices lack: null where it is absent or empty. */
export async function readOptional(
  from: AttributeSource,
  name: string,
  decides = true,
): Promise<string | null> {
  const answer = await from.reader.readText(`${from.folder}/${name}`);
  if (answer.ok) return answer.value.replaceAll('\0', '').trim() || null;
  if (!isAbsent(answer)) from.unseen.push({ what: name, why: answer.why, decides });
  return null;
}

/** A whole number that every disk has; null, with a deciding unseen fact, where it cannot be had. */
export async function readInteger(from: AttributeSource, name: string): Promise<number | null> {
  const answer = await from.reader.readText(`${from.folder}/${name}`);
  if (!answer.ok) {
    from.unseen.push({ what: name, why: answer.why, decides: true });
    return null;
  }
  const text = answer.value.trim();
  const value = Number(text);
  if (/^\d+$/.test(text) && Number.isSafeInteger(value)) return value;
  from.unseen.push({ what: name, why: 'not a number', decides: true });
  return null;
}

/** `0x…` or decimal, as eMMC attributes have it; null where it is no number. */
export function parseNumber(text: string | null | undefined): number | null {
  if (!text || !/^(0x[0-9a-f]+|\d+)$/i.test(text)) return null;
  const value = Number(text);
  return Number.isSafeInteger(value) ? value : null;
}
