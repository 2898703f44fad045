import { isScalar, type YAMLMap } from 'yaml';
import type { PlanSystem } from '../../contract/plan.ts';
import { dropOwnSetting, marked } from './own-items.ts';
import { bare, quoted, removeSetting, replaceSetting } from './yaml-text.ts';

/** Words that the node's first-boot program takes for "no" (cloud-init, util.py, FALSE_STRINGS; empty is "no", too). */
const noWords = new Set(['', 'off', '0', 'no', 'false']);

function isNo(map: YAMLMap, key: string): boolean {
  const value = map.get(key, true) as unknown;
  if (value === undefined) return true;
  return isScalar(value) && noWords.has(String(value.value ?? '').toLowerCase());
}

/**
 * The node's name (cloud-init, modules set_hostname and update_etc_hosts). The short one is the system's; the full one
 * is what /etc/hosts gives for it. Of that file only the line for 127.0.1.1 is managed, unless the image has it
 * managed as a whole: without that line sudo and others wait for a name server to tell them who they are.
 */
export function setHostName(map: YAMLMap, name: string, domain: string | null): string[] {
  const put = (key: string, value: Parameters<typeof replaceSetting>[2]) =>
    replaceSetting(map, key, value) ? [key] : [];
  const drop = (key: string) => (removeSetting(map, key) ? [key] : []);
  return [
    // A full name would win over the short one where some systems are told to prefer it, and a kept name over both.
    ...(domain === null
      ? ['fqdn', 'prefer_fqdn_over_hostname'].flatMap(drop)
      : [...put('fqdn', quoted(`${name}.${domain}`)), ...put('prefer_fqdn_over_hostname', bare(false))]),
    ...put('hostname', quoted(name)),
    ...put('preserve_hostname', bare(false)),
    ...(isNo(map, 'manage_etc_hosts') ? put('manage_etc_hosts', quoted('localhost')) : []),
  ];
}

/** Time zone and locale, where the plan gives them (cloud-init, modules timezone and locale). */
export function setSystem(map: YAMLMap, { timezone, locale }: PlanSystem): string[] {
  const put = (key: string, value: string | null) => {
    if (value !== null) return replaceSetting(map, key, marked(quoted(value))) ? [key] : [];
    dropOwnSetting(map, key);
    return [];
  };
  return [...put('timezone', timezone), ...put('locale', locale)];
}

/** Locales that every system has (cloud-init 22.4.2, distros/debian.py, regenerate_locale). */
const everywhere = ['c', 'c.utf-8', 'posix'];

/**
 * Commands that enter the locale among those that are made on the node: locale-gen(8) of Debian goes by its list
 * /etc/locale.gen alone and passes over the name that the first-boot program gives it. The entry is the system's own
 * (/usr/share/i18n/SUPPORTED: name, character set); a system without these files is left as it is. Once for each
 * node (cloud-init, module bootcmd: `cloud-init-per`).
 * @param files for a trial elsewhere
 */
export function localeCommands(
  locale: string | null,
  files = { list: '/etc/locale.gen', known: '/usr/share/i18n/SUPPORTED' },
): string[] {
  if (locale === null || everywhere.includes(locale.toLowerCase())) return [];
  const { list, known } = files;
  const entry = `"^${locale.replaceAll('.', '[.]')} "`;
  const enter = `[ ! -e ${list} ] || grep -q ${entry} ${list} || grep -s ${entry} ${known} >> ${list} || true`;
  return [`cloud-init-per instance cardwright-locale sh -c '${enter}'`];
}
