import type { UnseenFact } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import { isAbsent } from './read-attribute.ts';

/** A btrfs that the kernel has assembled, with its members by their kernel names. */
export interface BtrfsVolume {
  uuid: string;
  label: string | null;
  members: string[];
}

/**
 * Reads /sys/fs/btrfs/UUID/devices: the only place where the kernel tells which disks a btrfs stands on, since its
 * mounts have an anonymous device number.
 */
export async function readBtrfs(
  reader: SystemReader,
): Promise<{ volumes: BtrfsVolume[]; unseen: UnseenFact[] }> {
  const volumes: BtrfsVolume[] = [];
  const unseen: UnseenFact[] = [];
  const names = await reader.list('/sys/fs/btrfs');
  if (!names.ok && !isAbsent(names)) {
    unseen.push({ what: 'members of btrfs', why: names.why, decides: true });
  }
  for (const uuid of names.ok ? names.value.filter((name) => /^[0-9a-f-]{36}$/.test(name)) : []) {
    const members = await reader.list(`/sys/fs/btrfs/${uuid}/devices`);
    if (!members.ok) {
      if (!isAbsent(members))
        unseen.push({ what: `members of btrfs ${uuid}`, why: members.why, decides: true });
      continue;
    }
    const label = await reader.readText(`/sys/fs/btrfs/${uuid}/label`);
    volumes.push({ uuid, label: (label.ok && label.value.trim()) || null, members: members.value });
  }
  return { volumes, unseen };
}
