import type { HostKeyUnit } from '../../contract/root-facts.ts';
import type { ExtVolume } from '../ext-volume.ts';
import type { WantedUnit } from './wanted-units.ts';

const ownScripts = ['/etc/rc.local'];

/** What a unit or script does to the host keys; null where it has nothing to do with them. */
function effectOf(text: string): HostKeyUnit['effect'] | null {
  const lines = text
    .replace(/\\\n/g, ' ')
    .split('\n')
    .filter((line) => !/^\s*[#;]/.test(line));
  const hasLine = (pattern: RegExp) => lines.some((line) => pattern.test(line));
  const removes = hasLine(/\b(?:rm|shred|unlink)\b.*ssh_host_|ssh_host_.*-delete\b/);
  if (removes) return 'replaces';
  // ssh-keygen asks before it overwrites a key, unless somebody answers for it.
  if (hasLine(/\b(?:yes|echo)\b.*\|.*\bssh-keygen\b.*ssh_host_/)) return 'replaces';
  return hasLine(/\bssh-keygen\b.*(?:\s-A\b|ssh_host_)|dpkg-reconfigure.*openssh-server/) ? 'adds' : null;
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
