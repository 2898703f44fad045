import type { YAMLMap } from 'yaml';
import type { PlanAccess, PlanSystem } from '../../contract/plan.ts';
import type { HostKey } from '../keys/host-key.ts';
import { type FirstBootFile, putFirstBootFiles } from './first-boot-files.ts';
import { dropOldPasswords, listOtherAccess, mergeNodeUser } from './node-user.ts';
import { putOwnCommands } from './own-items.ts';
import { setHostName, setSystem } from './system-settings.ts';
import { bare, block, mapOf, quoted, readYamlMap, replaceSetting, writeYaml } from './yaml-text.ts';

export interface UserDataParts {
  name: string;
  domain: string | null;
  access: PlanAccess;
  system: PlanSystem;
  /** at most one of each type; none where the image makes its own */
  hostKeys: readonly HostKey[];
  /** a line that says where the file comes from, without the # */
  note: string;
  /** lines for a shell, run at the start of a boot before anything else */
  firstCommands: readonly string[];
  /** files that the node makes, before its commands */
  files: readonly FirstBootFile[];
  /** for a shell, run once when all else is done */
  commands: readonly string[];
}

export type MergedFile =
  | {
      ok: true;
      text: string;
      /** settings whose value was another before */
      replaced: string[];
      /** who else the image's own settings let in; they were left as they are */
      otherAccess: string[];
      bringsHostKeys: boolean;
    }
  | { ok: false; why: string };

const header = '#cloud-config';
/** Begins every line of ours, so that a second writing takes the first one's away. */
export const noteStart = '# cardwright:';

/** Why the image's user-data is of a kind that nothing can be merged into, or null. */
function checkKind(firstLine: string): string | null {
  if (firstLine.trimEnd() === header) return null;
  if (firstLine.startsWith('#!')) return 'it is a script';
  if (/^## *template:/.test(firstLine)) return 'it is a template';
  if (firstLine.startsWith('#include')) return 'it only points to other files';
  if (/^(content-type|mime-version):/i.test(firstLine)) return 'it is made of several parts (MIME)';
  return `it does not begin with ${header}`;
}

/** The image's settings behind the header line, without notes of ours. */
function bodyOf(existing: string): { ok: true; body: string } | { ok: false; why: string } {
  const [firstLine = '', ...rest] = existing.replace(/^\ufeff/, '').split(/\r?\n/);
  const why = checkKind(firstLine);
  if (why !== null) return { ok: false, why };
  return { ok: true, body: rest.filter((line) => !line.startsWith(noteStart)).join('\n') };
}

function setHostKeys(map: YAMLMap, hostKeys: readonly HostKey[]): string[] {
  const keys = mapOf(
    Object.fromEntries(
      hostKeys.flatMap(({ type, privatePem, publicLine }) => [
        [`${type}_private`, block(privatePem)],
        [`${type}_public`, quoted(publicLine)],
      ]),
    ),
  );
  const replaced: string[] = [];
  // The image's own keys, if it carries any, are the same on every card.
  if (replaceSetting(map, 'ssh_deletekeys', bare(true))) replaced.push('ssh_deletekeys');
  if (replaceSetting(map, 'ssh_keys', keys)) replaced.push('ssh_keys');
  return replaced;
}

/** What the node does itself, at the start of its first boot and at the end. */
function putWork(
  map: YAMLMap,
  { firstCommands, files, commands }: UserDataParts,
): { ok: true; replaced: string[] } | { ok: false; why: string } {
  const why = putOwnCommands(map, 'bootcmd', firstCommands) ?? putOwnCommands(map, 'runcmd', commands);
  if (why !== null) return { ok: false, why };
  const put = putFirstBootFiles(map, files);
  return 'why' in put ? { ok: false, why: put.why } : { ok: true, replaced: put.replaced };
}

/**
 * The node's user-data: the image's own cloud-config with the node's settings in it, which win; comments and all
 * other settings stay. Settings as in cloud-init's modules set_hostname, users_groups, set_passwords, ssh, timezone,
 * locale, bootcmd, write_files and runcmd.
 * @param existing the image's user-data, or null
 */
export function mergeUserData(existing: string | null, parts: UserDataParts): MergedFile {
  const isEmpty = existing === null || existing.trim() === '';
  const old = isEmpty ? { ok: true as const, body: '' } : bodyOf(existing);
  if (!old.ok) return old;
  const yaml = readYamlMap(old.body);
  if (!yaml.ok) return yaml;
  const { map, document } = yaml;
  const { access, hostKeys } = parts;
  const work = putWork(map, parts);
  if (!work.ok) return work;
  const bringsHostKeys = map.has('ssh_keys');
  const replaced = [
    ...setHostName(map, parts.name, parts.domain),
    ...setSystem(map, parts.system),
    ...mergeNodeUser(map, access),
    ...dropOldPasswords(map, access.user),
    ...(replaceSetting(map, 'ssh_pwauth', bare(access.sshPassword)) ? ['ssh_pwauth'] : []),
    ...(hostKeys.length === 0 ? [] : setHostKeys(map, hostKeys)),
    ...work.replaced,
  ];
  const otherAccess = listOtherAccess(map, access.user);
  try {
    const text = `${header}\n${noteStart} ${parts.note}\n${writeYaml(document)}`;
    return { ok: true, text, replaced, otherAccess, bringsHostKeys };
  } catch (cause) {
    // A setting that was replaced may have been the anchor of another.
    return { ok: false, why: cause instanceof Error ? cause.message : String(cause) };
  }
}
