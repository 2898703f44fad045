import { parseAuthorizedKey, parseAuthorizedKeys } from '../../identity/keys/authorized-keys.ts';
import { isKeyType } from '../../identity/keys/public-key.ts';
import { checkPasswordHash } from '../../identity/password-hash.ts';
import {
  itemPaths,
  keyOf,
  type Mistake,
  mistake,
  type PlanPath,
  type Raw,
  textAt,
  valueAt,
} from './mistake.ts';
import type { PlanFiles } from './plan-files.ts';
import { readSource } from './source-file.ts';

/** A .pub file has a few hundred bytes; a file with many keys has not many kilobytes. */
const mostKeyFileBytes = 2 ** 18;

interface Keys {
  lines: string[];
  mistakes: Mistake[];
}

const isPrivate = (text: string) => text.includes('PRIVATE KEY');

/** A whole key line rather than the path of a file. */
const isKeyLine = (text: string) => /\s/.test(text) && text.split(/\s+/).some(isKeyType);

function bad(path: PlanPath, what: string, why: string): Keys {
  return { lines: [], mistakes: [mistake('plan.bad-public-key', path, { what, why })] };
}

function keysFromText(text: string, path: PlanPath, what: string): Keys {
  if (isPrivate(text)) return { lines: [], mistakes: [mistake('plan.private-key', path, { what })] };
  const { keys, mistakes } = parseAuthorizedKeys(text);
  return {
    lines: keys.map(({ line }) => line),
    // Three lines show what kind of file it is; more would bury the other mistakes.
    mistakes: mistakes
      .slice(0, 3)
      .map(({ lineNumber, reason }) =>
        mistake('plan.bad-public-key', path, { what: `Line ${lineNumber} of ${what}`, why: reason }),
      ),
  };
}

async function keysFrom(raw: Raw, path: PlanPath, folder: string, files: PlanFiles): Promise<Keys> {
  const entry = textAt(raw, path);
  if (entry === null) return { lines: [], mistakes: [] };
  // An entry that may be key material is told as "this entry": none of it may reach a screen or a log.
  if (isPrivate(entry)) {
    return { lines: [], mistakes: [mistake('plan.private-key', path, { what: 'This entry' })] };
  }
  if (isKeyLine(entry)) {
    const result = parseAuthorizedKey(entry);
    return result.ok ? { lines: [result.key.line], mistakes: [] } : bad(path, 'This entry', result.reason);
  }
  if (/[\r\n]/.test(entry)) return bad(path, 'This entry', 'it has several lines');
  const source = await readSource(raw, path, folder, files, mostKeyFileBytes, (what, why) =>
    mistake('plan.bad-public-key', path, { what, why }),
  );
  if (!source.ok) return { lines: [], mistakes: [source.mistake] };
  return keysFromText(Buffer.from(source.content).toString('utf8'), path, entry);
}

function checkPassword(raw: Raw): Mistake[] {
  const path = ['access', 'passwordHash'];
  const hash = textAt(raw, path);
  const why = hash === null ? null : checkPasswordHash(hash);
  return why === null ? [] : [mistake('plan.bad-password-hash', path, { why })];
}

function checkWayIn(raw: Raw): Mistake[] {
  const access = valueAt(raw, ['access']);
  if (typeof access !== 'object' || access === null) return [];
  const keys = valueAt(raw, ['access', 'authorizedKeys']);
  const hasKeys = keys !== undefined && !(Array.isArray(keys) && keys.length === 0);
  if (hasKeys || valueAt(raw, ['access', 'passwordHash']) !== undefined) return [];
  const user = textAt(raw, ['access', 'user']) ?? 'grower';
  return [mistake('plan.nobody-gets-in', ['access'], { user }, { atKey: true })];
}

/** Settings that mean nothing without another one. */
function checkCompanions(raw: Raw): Mistake[] {
  const hasHash = valueAt(raw, ['access', 'passwordHash']) !== undefined;
  const asksPassword: PlanPath[] = [
    ...(valueAt(raw, ['access', 'sshPassword']) === true ? [['access', 'sshPassword']] : []),
    ...(textAt(raw, ['access', 'sudo']) === 'password' ? [['access', 'sudo']] : []),
  ];
  const ofKeys = textAt(raw, ['hostKeys']) === 'image' ? ['hostKeyTypes', 'hostKeyFolder'] : [];
  return [
    ...(hasHash ? [] : asksPassword).map((path) =>
      mistake('plan.needs-password', path, { key: keyOf(path) }, { atKey: true }),
    ),
    ...ofKeys
      .filter((key) => valueAt(raw, [key]) !== undefined)
      .map((key) => mistake('plan.no-keys-made', [key], { key }, { atKey: true })),
  ];
}

/** Who gets in: reads the public keys, and sees that nothing else stands in their place. Each key comes once. */
export async function checkAccess(raw: Raw, folder: string, files: PlanFiles): Promise<Keys> {
  const found: Keys[] = [];
  const seen = new Set<string | null>();
  for (const path of itemPaths(raw, ['access', 'authorizedKeys'])) {
    const entry = textAt(raw, path);
    if (seen.has(entry)) continue;
    seen.add(entry);
    found.push(await keysFrom(raw, path, folder, files));
  }
  return {
    lines: [...new Set(found.flatMap(({ lines }) => lines))],
    mistakes: [
      ...found.flatMap(({ mistakes }) => mistakes),
      ...checkPassword(raw),
      ...checkWayIn(raw),
      ...checkCompanions(raw),
    ],
  };
}
