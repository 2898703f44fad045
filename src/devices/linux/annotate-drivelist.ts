import * as z from 'zod';
import type { Disk } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';

const drive = z.object({
  device: z.string(),
  description: z.string().nullish(),
  isSystem: z.boolean().nullish(),
  mountpoints: z.array(z.object({ path: z.string().nullish() })).nullish(),
});
type Drive = z.infer<typeof drive>;

function noteOn(disk: Disk, what: string): void {
  disk.unseen.push({ what: 'agreement with drivelist', why: what, decides: false });
}

function compare(disk: Disk, { isSystem, mountpoints }: Drive): void {
  const mounts = disk.uses.filter(({ kind, namespace }) => kind === 'mount' && namespace === 'own');
  const ours = new Set(mounts.map(({ what }) => what));
  const theirs = (mountpoints ?? []).map(({ path }) => path ?? '').filter((path) => path.startsWith('/'));
  for (const path of theirs.filter((path) => !ours.has(path))) {
    noteOn(disk, `it has ${path} mounted from here, the kernel's list has not`);
  }
  if (isSystem === true && disk.uses.length === 0 && !disk.removable) {
    noteOn(disk, 'it calls this a system disk, and nothing was found on it');
  }
  if (isSystem === false && ours.has('/')) noteOn(disk, 'it calls this no system disk, and / stands on it');
}

/**
 * Takes drivelist's descriptions, and notes where it disagrees about mounts and the system. It never decides: it
 * lists no loop devices, and calls a disk "system" by whether it is removable.
 */
export async function annotateFromDrivelist(
  reader: SystemReader,
  disks: readonly Disk[],
): Promise<string | null> {
  const answer = await reader.drivelist();
  if (!answer.ok) return answer.why;
  for (const raw of answer.value) {
    const parsed = drive.safeParse(raw);
    if (!parsed.success) continue;
    const disk = disks.find(({ node }) => node === parsed.data.device);
    if (!disk) continue;
    disk.description = parsed.data.description?.trim() || null;
    compare(disk, parsed.data);
  }
  return null;
}
