import type { HostKeyUnit } from '../../contract/root-facts.ts';
import type { ExtVolume } from '../ext-volume.ts';
import type { WantedUnit } from './wanted-units.ts';

const ownScripts = ['/etc/rc.local'];

/** Do these stand in the line one after another? Each is looked for once, so the longest line takes little time. */
function standsInOrder(line: string, ...words: readonly RegExp[]): boolean {
  let rest = line;
  for (const word of words) {
    const match = word.exec(rest);
    if (!match) return false;
    rest = rest.slice(match.index + match[0].length);
  }
  return true;
}

const keyFile = /ssh_host_/;
const keyMaker = /\bssh-keygen\b/;

function takesKeysAway(line: string): boolean {
  return standsInOrder(line, /\b(?:rm|shred|unlink)\b/, keyFile) || standsInOrder(line, keyFile, /-delete\b/);
}

/** ssh-keygen asks before it overwrites a key, unless somebody answers for it. */
function overwritesKeys(line: string): boolean {
  return standsInOrder(line, /\b(?:yes|echo)\b/, /\|/, keyMaker, keyFile);
}

function makesKeys(line: string): boolean {
  const byPackage = standsInOrder(line, /\bdpkg-reconfigure\b/, /\bopenssh-server\b/);
  return byPackage || standsInOrder(line, keyMaker, /\s-A\b|ssh_host_/);
}

/** What a unit or script does to the host keys; null where it has nothing to do with them. */
function effectOf(text: string): HostKeyUnit['effect'] | null {
  const lines = text
    .replace(/\\\n/g, ' ')
    .split('\n')
    .filter((line) => !/^\s*[#;]/.test(line));
  if (lines.some((line) => takesKeysAway(line) || overwritesKeys(line))) return 'replaces';
  return lines.some(makesKeys) ? 'adds' : null;
}

/**
 * Commands of the first-boot program run before sysinit.target is reached, and units wait for that target unless
 * they say DefaultDependencies=no (systemd.service(5); cloud-init.service says Before=sysinit.target).
 */
function whyOutOfReach({ name, text, wantedBy }: WantedUnit): string | null {
  if (!/^[\w@:.-]+\.service$/.test(name)) return 'its name is no plain word';
  if (/^DefaultDependencies=(?:no|false|0|off)\s*$/im.test(text) || wantedBy.includes('sysinit.target')) {
    return 'it runs as early as the first-boot program itself';
  }
  return null;
}

/** machine-id(5), "FIRST BOOT SEMANTICS": no file or "uninitialized"; an empty file is not a first boot. */
async function isFirstBoot(volume: ExtVolume): Promise<boolean> {
  const id = await volume.text('/etc/machine-id');
  return id === null || id.trim() === 'uninitialized';
}

/** Units (and /etc/rc.local) that make SSH host keys when a node starts, by their text and their scripts'. */
export async function findHostKeyUnits(
  volume: ExtVolume,
  units: readonly WantedUnit[],
): Promise<HostKeyUnit[]> {
  const found: HostKeyUnit[] = [];
  const firstBoot = await isFirstBoot(volume);
  for (const unit of units) {
    if (!firstBoot && /^ConditionFirstBoot=(?:yes|true|1|on)\s*$/im.test(unit.text)) continue;
    const effect = effectOf(unit.withScripts);
    if (effect !== null) found.push({ name: unit.name, effect, outOfReach: whyOutOfReach(unit) });
  }
  for (const path of ownScripts) {
    const effect = effectOf((await volume.text(path)) ?? '');
    if (effect !== null) found.push({ name: path, effect, outOfReach: 'it is a script of the image’s own' });
  }
  return found;
}
