import { isMap, isScalar, isSeq, type Node, type YAMLMap, YAMLSeq } from 'yaml';
import type { PlanAccess } from '../../contract/plan.ts';
import { isOwnEntry, marked } from './own-items.ts';
import { bare, listOf, mapOf, quoted, removeSetting, replaceSetting } from './yaml-text.ts';

/** Settings of a user that decide who gets in and who becomes root; those of the node's user are the plan's alone. */
const accessSettings = [
  'passwd',
  'plain_text_passwd',
  'hashed_passwd',
  'lock_passwd',
  'lock-passwd',
  'inactive',
  'sudo',
  'doas',
  'expiredate',
  'ssh_authorized_keys',
  'ssh-authorized-keys',
  'ssh_import_id',
  'ssh-import-id',
  'ssh_redirect_user',
  'ssh-redirect-user',
];

/** Groups whose members become root with their password, by the rules that systems come with (common practice, no source). */
const rootGroups = ['sudo', 'wheel', 'admin', 'root'];

/** sudoers(5); no rule where the user is not to become root. */
const sudoRules = { free: 'ALL=(ALL) NOPASSWD:ALL', password: 'ALL=(ALL:ALL) ALL', none: null } as const;

/**
 * What the node's user gets. A hash goes in as `hashed_passwd`, which is applied to new and existing users alike
 * (`passwd` is passed over for existing ones), and not through `chpasswd`, which would expire it at the first login
 * and whose old form takes a yescrypt hash for the password itself.
 */
function accessOf(access: PlanAccess): Record<string, Node> {
  const { passwordHash, authorizedKeys } = access;
  const sudo = sudoRules[access.sudo];
  return {
    ...(sudo === null ? {} : { sudo: quoted(sudo) }),
    lock_passwd: bare(passwordHash === null),
    ...(passwordHash === null ? {} : { hashed_passwd: quoted(passwordHash) }),
    ...(authorizedKeys.length === 0 ? {} : { ssh_authorized_keys: listOf(authorizedKeys.map(quoted)) }),
  };
}

function nameOf(item: unknown): string | null {
  if (isScalar(item)) return typeof item.value === 'string' ? item.value : null;
  const name = isMap(item) ? item.get('name') : null;
  return typeof name === 'string' ? name : null;
}

/** @returns true where the user was in a group that makes root */
function leaveRootGroups(user: YAMLMap): boolean {
  const groups = user.get('groups', true) as unknown;
  const isKept = (name: unknown) => !rootGroups.includes(String(isScalar(name) ? name.value : name).trim());
  const names: unknown[] = isSeq(groups)
    ? groups.items
    : isScalar(groups) && typeof groups.value === 'string'
      ? groups.value.split(',')
      : isMap(groups)
        ? groups.items.map(({ key }) => key)
        : [];
  const kept = names.filter(isKept);
  if (kept.length === names.length) return false;
  if (isSeq(groups)) groups.items = kept;
  else if (isScalar(groups)) groups.value = kept.join(',');
  else if (isMap(groups)) groups.items = groups.items.filter(({ key }) => isKept(key));
  // An empty list is one group without a name to some.
  if (kept.length === 0) removeSetting(user, 'groups');
  return true;
}

function mergeUser(user: YAMLMap, access: PlanAccess): string[] {
  const wanted = accessOf(access);
  const where = `users.${access.user}`;
  const removed = accessSettings.filter((key) => !(key in wanted) && removeSetting(user, key));
  const replaced = Object.entries(wanted).filter(([key, value]) => replaceSetting(user, key, value));
  const left = access.sudo === 'none' && leaveRootGroups(user) ? ['groups'] : [];
  return [...removed, ...replaced.map(([key]) => key), ...left].map((key) => `${where}.${key}`);
}

/** The image's list of users as a list; null where it is something else that cannot be kept. */
function readUsers(map: YAMLMap): YAMLSeq | null {
  const users = map.get('users', true) as unknown;
  if (users === undefined || (isScalar(users) && users.value === null)) return new YAMLSeq();
  if (isSeq(users)) return users as YAMLSeq;
  if (!isScalar(users) || typeof users.value !== 'string') return null;
  return listOf(users.value.split(',').map((name) => quoted(name.trim())));
}

/**
 * Puts the plan's user into `users`; others that the image names stay.
 * @returns names of the settings whose value was replaced
 */
export function mergeNodeUser(map: YAMLMap, access: PlanAccess): string[] {
  const found = readUsers(map);
  const users = found ?? new YAMLSeq();
  const replaced = found === null ? ['users'] : [];
  // Another plan's user, whom a former writing let in.
  users.items = users.items.filter((item) => !isOwnEntry(item) || nameOf(item) === access.user);
  const ours = users.items.filter((item) => nameOf(item) === access.user);
  const existing = ours.find((item) => isMap(item));
  if (isMap(existing)) {
    replaced.push(...mergeUser(existing, access));
    users.items = users.items.filter((item) => item === existing || !ours.includes(item));
  } else {
    users.items = users.items.filter((item) => !ours.includes(item));
    users.items.push(mapOf({ name: marked(quoted(access.user)), ...accessOf(access) }));
  }
  map.set('users', users);
  return replaced;
}

/** Who else gets in by the image's own settings, as a reader of the file would name it. */
export function listOtherAccess(map: YAMLMap, user: string): string[] {
  const users = map.get('users', true) as unknown;
  const others = isSeq(users) ? users.items.map(nameOf).filter((name) => name !== user) : [];
  const chpasswd = map.get('chpasswd') as unknown;
  const passwords = isMap(chpasswd) && ['users', 'list'].some((key) => hasContent(chpasswd.get(key, true)));
  return [
    ...others.map((name) => `user ${name ?? 'without a name'}`),
    ...(passwords ? ['chpasswd'] : []),
    ...['ssh_authorized_keys', 'ssh_import_id'].filter((key) => hasContent(map.get(key, true))),
  ];
}

function hasContent(node: unknown): boolean {
  if (isSeq(node)) return node.items.length > 0;
  return isScalar(node) ? String(node.value ?? '').trim() !== '' : node !== undefined;
}

/** Takes the plan's user out of `chpasswd`, whose passwords would otherwise win over the plan's. */
export function dropOldPasswords(map: YAMLMap, user: string): string[] {
  const replaced = removeSetting(map, 'password') ? ['password'] : [];
  const chpasswd = map.get('chpasswd') as unknown;
  if (!isMap(chpasswd)) return replaced;
  const isOurs = (text: unknown) => typeof text === 'string' && text.trimStart().startsWith(`${user}:`);
  let isChanged = false;
  for (const key of ['users', 'list']) {
    const list = chpasswd.get(key, true) as unknown;
    if (isSeq(list)) {
      const kept = list.items.filter((item) => !(isMap(item) ? nameOf(item) === user : isOurs(nameOf(item))));
      isChanged ||= kept.length < list.items.length;
      list.items = kept;
    } else if (isScalar(list) && typeof list.value === 'string') {
      const lines = list.value.split('\n');
      const kept = lines.filter((line) => !isOurs(line));
      isChanged ||= kept.length < lines.length;
      list.value = kept.join('\n');
    }
  }
  return isChanged ? [...replaced, `chpasswd of ${user}`] : replaced;
}
