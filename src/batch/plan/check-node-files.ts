import {
  entryPaths,
  keyOf,
  type Mistake,
  mistake,
  type PlanPath,
  partsOf,
  type Raw,
  whereOf,
} from './mistake.ts';

/** Signs that FAT names cannot have, and names that stand for devices on some systems (common practice, no source). */
// biome-ignore lint/suspicious/noControlCharactersInRegex: control characters are what this finds
const badSigns = /[\u0000-\u001f\u007f"*:<>?\\|]/;
const deviceNames = /^(con|prn|aux|nul|com[0-9]|lpt[0-9])(\.|$)/i;
/** UTF-16 units of a long name (FAT long file names). */
const longestName = 255;

function whyNoName(name: string): string | null {
  // The schema library passes over this one name, which would lose the file without a word.
  if (name === '__proto__') return 'it is not a name for a file';
  if (name.startsWith('/')) return 'it begins with a slash';
  const parts = name.split('/');
  if (parts.some((part) => part === '')) return 'a part of it is empty';
  if (parts.some((part) => part === '.' || part === '..')) return 'it leaves its place with dots';
  if (badSigns.test(name)) return 'it has signs that the boot volume cannot hold';
  if (parts.some((part) => /[. ]$/.test(part))) return 'a part of it ends with a dot or a blank';
  if (parts.some((part) => deviceNames.test(part))) return 'some systems take it for a device';
  return parts.some((part) => part.length > longestName)
    ? `a part of it has more than ${longestName} characters`
    : null;
}

function duplicates(raw: Raw, paths: readonly PlanPath[]): Mistake[] {
  const seen = new Map<string, PlanPath>();
  return paths.flatMap((path) => {
    const name = keyOf(path);
    const first = seen.get(name.toLowerCase());
    if (first === undefined) seen.set(name.toLowerCase(), path);
    if (first === undefined) return [];
    const facts = { where: whereOf(raw, path), name };
    return [mistake('plan.duplicate-file-name', path, facts, { atKey: true, first })];
  });
}

/** The names that extra files are to have in the boot volume, of the set and of each node. */
export function checkNodeFiles(raw: Raw): Mistake[] {
  return partsOf(raw).flatMap((part) => {
    const paths = ['files', 'templates'].flatMap((key) => entryPaths(raw, [...part, key]));
    const bad = paths.flatMap((path) => {
      const name = keyOf(path);
      const why = whyNoName(name);
      return why === null ? [] : [mistake('plan.bad-file-name', path, { name, why }, { atKey: true })];
    });
    return [...bad, ...duplicates(raw, paths)];
  });
}
