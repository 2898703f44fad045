import {
  entryPaths,
  itemPaths,
  keyOf,
  type Mistake,
  mistake,
  type PlanPath,
  partsOf,
  type Raw,
  textAt,
  whereOf,
} from './mistake.ts';

/** Bytes of a path on the node (PATH_MAX of Linux, with its final zero). */
const longestPath = 4095;
/** Room in the file that carries it is small; longer work belongs into a script among the files. */
const longestCommand = 4096;

function whyNoPath(text: string): string | null {
  if (!text.startsWith('/')) return 'it does not begin with a slash';
  // biome-ignore lint/suspicious/noControlCharactersInRegex: control characters are what this finds
  if (/[\u0000-\u001f\u007f]/.test(text)) return 'it has line breaks or control characters';
  const parts = text.slice(1).split('/');
  if (parts.some((part) => part === '')) return 'a part of it is empty';
  if (parts.some((part) => part === '.' || part === '..')) return 'it has dots in place of a name';
  return Buffer.byteLength(text) > longestPath ? 'it is too long' : null;
}

function whyNoCommand(text: string): string | null {
  if (text.trim() === '') return 'it is empty';
  if (text.includes('\u0000')) return 'it has a zero in it';
  return text.length > longestCommand ? `it has ${text.length} characters` : null;
}

const whyNoMode = (text: string) => (/^0?[0-7]{3}$/.test(text) ? null : 'it is not three octal digits');
const ownerPattern = /^[a-z_][a-z0-9_-]{0,31}:[a-z_][a-z0-9_-]{0,31}$/;
const whyNoOwner = (text: string) => (ownerPattern.test(text) ? null : 'it is not a user and a group');
const whyNoVariable = (name: string) =>
  /^[A-Za-z][A-Za-z0-9_]{0,63}$/.test(name) ? null : 'templates could not ask for it';

function look(raw: Raw, path: PlanPath, fix: string, why: (text: string) => string | null): Mistake[] {
  const text = textAt(raw, path);
  const reason = text === null ? null : why(text);
  const facts = { key: `${keyOf(path)} in ${whereOf(raw, path)}`, why: reason ?? '', fix };
  return reason === null ? [] : [mistake('plan.bad-setting', path, facts)];
}

function twice(raw: Raw, paths: readonly PlanPath[]): Mistake[] {
  const seen = new Map<string, PlanPath>();
  return paths.flatMap((path) => {
    const name = textAt(raw, path);
    const first = name === null ? undefined : seen.get(name);
    if (name !== null && first === undefined) seen.set(name, path);
    const facts = { where: whereOf(raw, path), name: name ?? '' };
    return first === undefined ? [] : [mistake('plan.duplicate-node-file', path, facts, { first })];
  });
}

/** Files and commands of the first boot, for the set and each node, and the nodes' texts for templates. */
export function checkFirstBoot(raw: Raw): Mistake[] {
  return partsOf(raw).flatMap((part) => {
    const files = itemPaths(raw, [...part, 'firstBoot', 'files']);
    const variables = entryPaths(raw, [...part, 'variables']);
    return [
      ...files.flatMap((file) => [
        ...look(
          raw,
          [...file, 'path'],
          'Give the whole path on the node, like /etc/orchard/gate.conf.',
          whyNoPath,
        ),
        ...look(raw, [...file, 'mode'], 'Give rights in octal, in quotes, like "0644".', whyNoMode),
        ...look(raw, [...file, 'owner'], 'Give user and group, like root:root.', whyNoOwner),
      ]),
      ...twice(
        raw,
        files.map((file) => [...file, 'path']),
      ),
      ...itemPaths(raw, [...part, 'firstBoot', 'commands']).flatMap((path) =>
        look(
          raw,
          path,
          'Give a command for the shell; put longer work into a script among the files.',
          whyNoCommand,
        ),
      ),
      ...variables.flatMap((path) => {
        const why = whyNoVariable(keyOf(path));
        const fix = 'Use letters, digits and underscores, a letter first.';
        const facts = { key: `The name ${keyOf(path)} in ${whereOf(raw, path)}`, why: why ?? '', fix };
        return why === null ? [] : [mistake('plan.bad-setting', path, facts, { atKey: true })];
      }),
    ];
  });
}
