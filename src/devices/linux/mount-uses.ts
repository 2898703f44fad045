import type { DiskUse } from '../../contract/devices.ts';
import type { MountLine } from './parse-mountinfo.ts';
import { type Home, homeOfMount } from './storage-homes.ts';
import { recordHome, type Survey } from './survey.ts';

/** Block devices directly beneath each mount point of our own namespace, for whoever asks what is in use where. */
export type MountedBlocks = Map<string, string[]>;

async function recordMount(survey: Survey, mount: MountLine, namespace: DiskUse['namespace']): Promise<Home> {
  const home = await homeOfMount(survey.tables, mount);
  const { majorMinor, mountPoint, fsType, options } = mount;
  const name = `${majorMinor} (${mountPoint} as ${fsType})`;
  recordHome(survey, home, name, { kind: 'mount', what: mountPoint, namespace, fsType, options });
  return home;
}

/** `/` must have led to a disk, or certainly to none: where it is not even listed, every disk could be beneath it. */
function checkRoot(
  survey: Survey,
  namespace: DiskUse['namespace'],
  mounts: readonly MountLine[],
  homes: Home[],
): void {
  const roots = mounts
    .map((mount, at) => ({ mount, home: homes[at] }))
    .filter(({ mount }) => mount.mountPoint === '/');
  if (roots.length === 0)
    survey.untraced.add(`/ (no line in the mountinfo of ${namespace === 'own' ? 'ourselves' : 'process 1'})`);
  const onDisk = roots.some(({ home }) => home && (home.blocks.length > 0 || home.why !== null));
  const top = roots.at(-1);
  if (top && !onDisk) {
    const why = `it is ${top.mount.fsType}, which lies in memory or on another machine`;
    survey.unseen.push({ what: 'a disk beneath /', why, decides: false });
  }
}

/**
 * Notes every mount of every namespace on the disks beneath it. A mount that several namespaces show at one place is
 * noted once, as the nearest of them has it.
 */
export async function recordMounts(survey: Survey): Promise<MountedBlocks> {
  const known = new Set<string>();
  const mounted: MountedBlocks = new Map();
  if (!survey.views.some(({ namespace }) => namespace === 'own')) {
    survey.untraced.add('/ (our own mountinfo cannot be read)');
  }
  for (const { namespace, mounts } of survey.views) {
    const homes: Home[] = [];
    for (const mount of mounts) {
      const key = `${mount.majorMinor} ${mount.mountPoint} ${mount.superOptions}`;
      const isKnown = known.has(key);
      known.add(key);
      const home = isKnown
        ? await homeOfMount(survey.tables, mount)
        : await recordMount(survey, mount, namespace);
      homes.push(home);
      if (namespace === 'own') {
        mounted.set(mount.mountPoint, [...(mounted.get(mount.mountPoint) ?? []), ...home.blocks]);
      }
    }
    if (namespace !== null) checkRoot(survey, namespace, mounts, homes);
  }
  return mounted;
}
