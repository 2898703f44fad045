import type { ByteSource } from '../contract/blocks.ts';
import { type Finding, finding } from '../contract/finding.ts';
import type { ImageFacts, ImageVolume } from '../contract/image.ts';
import { ExtUnreadable, type ExtVolume, withExtVolume } from './ext-volume.ts';

/** machine-id(5): the file itself, and the older copy that D-Bus reads. */
const machineIdFile = '/etc/machine-id';
const machineIdFiles = [machineIdFile, '/var/lib/dbus/machine-id'];
const firstBootMarks = ['/var/lib/cloud/instance', '/var/lib/cloud/data/instance-id'];

/** A root volume is one of these kinds; only ext can be looked into. */
const rootTypes: ReadonlySet<string> = new Set([
  'btrfs',
  'xfs',
  'f2fs',
  'squashfs',
  'erofs',
  'crypto_luks',
  'lvm2_member',
]);
const mostVolumes = 8;

/** machine-id(5): a missing file or "uninitialized" means a first boot, an empty file does not. */
async function machineIdentity(volume: ExtVolume): Promise<Finding[]> {
  const findings: Finding[] = [];
  for (const file of machineIdFiles) {
    if ((await volume.kind(file)) !== 'file') continue;
    const text = ((await volume.text(file)) ?? '').trim();
    if (text !== '' && text !== 'uninitialized')
      findings.push(finding('image.machine-id-set', 'note', { file }));
    if (text === '' && file === machineIdFile)
      findings.push(finding('image.first-boot-skipped', 'note', { file }));
  }
  return findings;
}

async function hostKeys(volume: ExtVolume): Promise<Finding[]> {
  const names = (await volume.names('/etc/ssh')) ?? [];
  const keys = names.filter((name) => /^ssh_host_.*_key$/.test(name)).sort();
  return keys.length > 0 ? [finding('image.host-keys-inside', 'note', { names: keys.join(', ') })] : [];
}

async function firstBoot(volume: ExtVolume): Promise<Finding[]> {
  for (const evidence of firstBootMarks) {
    if ((await volume.kind(evidence)) !== null)
      return [finding('image.first-boot-done', 'note', { evidence })];
  }
  return [];
}

/** Null where the volume is no root volume. */
async function lookInto(volume: ExtVolume): Promise<Finding[] | null> {
  if ((await volume.kind('/etc')) !== 'folder') return null;
  return [...(await machineIdentity(volume)), ...(await hostKeys(volume)), ...(await firstBoot(volume))];
}

function notLookedAt(why: string): Finding {
  return finding('image.hazards-not-looked-at', 'note', { why });
}

async function lookIntoOne(source: ByteSource, volume: ImageVolume): Promise<Finding[] | null> {
  try {
    return await withExtVolume(source, volume, lookInto);
  } catch (error) {
    if (!(error instanceof ExtUnreadable)) throw error;
    return [
      notLookedAt(
        `the ${volume.type} volume in partition ${volume.partition} cannot be read: ${error.message}`,
      ),
    ];
  }
}

/**
 * What would make nodes from one image collide: a machine identity, SSH host keys, a first boot that is already over.
 * Works over any source, an image file or a card; nothing is mounted and nothing written.
 */
export async function findCloneHazards(
  source: ByteSource,
  { volumes }: Pick<ImageFacts, 'volumes'>,
): Promise<Finding[]> {
  const findings: Finding[] = [];
  let isRootSeen = false;
  for (const volume of volumes.filter(({ type }) => type.startsWith('ext')).slice(0, mostVolumes)) {
    const found = await lookIntoOne(source, volume);
    if (!found) continue;
    isRootSeen = true;
    findings.push(...found);
  }
  const other = volumes.find(({ type }) => rootTypes.has(type));
  if (!isRootSeen && other)
    findings.push(notLookedAt(`the root volume may be ${other.type}, which is not read here`));
  return findings;
}
