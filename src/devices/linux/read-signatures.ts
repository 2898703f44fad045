import type { Disk, DiskKind, Signature } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import { parseBlkidPairs, signaturesOf } from './parse-blkid.ts';

/** Nothing of ours ever goes onto these, and probing them may spin a drive up or read memory for nothing. */
const unprobed: ReadonlySet<DiskKind> = new Set(['optical', 'zram', 'ram', 'mmc-boot']);

interface Probe {
  signatures: Signature[];
  partUuid: string | null;
}

/** blkid(8), EXIT STATUS: 0 found, 2 nothing found *or* unreadable, 8 several kinds of content at once. */
const usableStatus = new Set([0, 2, 8]);

async function probe(reader: SystemReader, name: string, node: string): Promise<Probe | string> {
  // Status 2 does not tell an empty medium from one that cannot be opened, so reading is tried first.
  const first = await reader.readBytes(node, 0, 512);
  if (!first.ok) return first.why;
  const result = await reader.run('blkid', ['-p', '-o', 'udev', node]);
  if (!result.ok) return `blkid: ${result.why}`;
  if (!usableStatus.has(result.value.status)) return `blkid ended with status ${result.value.status}`;
  const pairs = parseBlkidPairs(result.value.stdout);
  return { signatures: signaturesOf(name, pairs), partUuid: pairs.get('ID_PART_ENTRY_UUID') ?? null };
}

/**
 * Fills in what stands on the disk and on each of its partitions, and the partitions' UUIDs. What cannot be probed
 * leaves `signatures` null with a deciding unseen fact: an archive nobody could see must not be overwritten.
 */
export async function readSignatures(reader: SystemReader, disk: Disk): Promise<void> {
  if (disk.hidden || unprobed.has(disk.kind)) return;
  const found: Signature[] = [];
  let failed = false;
  for (const place of [disk, ...disk.partitions]) {
    const result = await probe(reader, place.name, place.node);
    if (typeof result === 'string') {
      failed = true;
      disk.unseen.push({ what: `what stands on ${place.name}`, why: result, decides: true });
      continue;
    }
    found.push(...result.signatures);
    if ('number' in place) place.partUuid = result.partUuid ?? place.partUuid;
  }
  disk.signatures = failed ? null : found;
}
