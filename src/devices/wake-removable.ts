import type { SystemReader } from '../contract/system-reader.ts';
import { diskKind } from './linux/disk-kind.ts';
import { mapLimited } from './map-limited.ts';

/** One disk that was opened, and what came of it: null, or why it could not be read ("ENOMEDIUM" for an empty slot). */
export interface Woken {
  name: string;
  why: string | null;
}

async function wakeOne(reader: SystemReader, name: string): Promise<Woken | null> {
  const folder = await reader.realPath(`/sys/block/${name}`);
  if (!folder.ok) return null;
  const removable = await reader.readText(`${folder.value}/removable`);
  const isOptical = diskKind(folder.value, null) === 'optical';
  // An optical drive would spin up or draw its tray in, and holds no card.
  if (!removable.ok || removable.value.trim() !== '1' || isOptical) return null;
  const first = await reader.readBytes(`/dev/${name.replaceAll('!', '/')}`, 0, 512);
  return { name, why: first.ok ? null : first.why };
}

/**
 * Opens every removable disk once, for reading only, so that the kernel notices a card that was changed since the
 * last look: size and `diskseq` follow a change only at an open or at a poll. To be called before facts are read.
 * `leaveAlone` names disks a job is writing to: none of our processes may open those.
 */
export async function wakeRemovable(
  reader: SystemReader,
  options: { leaveAlone?: readonly string[] } = {},
): Promise<Woken[]> {
  const names = await reader.list('/sys/block');
  const asked = (names.ok ? names.value : []).filter((name) => !options.leaveAlone?.includes(name));
  const woken = await mapLimited(asked, 4, (name) => wakeOne(reader, name));
  return woken.filter((one) => one !== null);
}
