import type { Disk, Partition, UnseenFact } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import { mapLimited } from '../map-limited.ts';
import type { BlockNode } from './block-map.ts';
import { isAbsent, readInteger, readOptional } from './read-attribute.ts';
import { readDisk, sysfsSectorBytes } from './read-disk.ts';

interface ReadBlocks {
  /** every whole disk that sysfs lists, size 0 and hidden ones included */
  disks: Disk[];
  nodes: BlockNode[];
  unseen: UnseenFact[];
}

async function listLinks(reader: SystemReader, folder: string, unseen: UnseenFact[]): Promise<string[]> {
  const names = await reader.list(folder);
  if (names.ok) return names.value;
  if (!isAbsent(names)) unseen.push({ what: folder, why: names.why, decides: true });
  return [];
}

/** Holders by the kernel's links; a cache set that is registered without a device of its own has only a folder. */
async function listHolders(reader: SystemReader, folder: string, unseen: UnseenFact[]): Promise<string[]> {
  const holders = await listLinks(reader, `${folder}/holders`, unseen);
  const cache = await listLinks(reader, `${folder}/bcache`, unseen);
  return cache.length > 0 && holders.length === 0 ? ['bcache'] : holders;
}

async function readPartition(disk: Disk, reader: SystemReader, folder: string): Promise<Partition | null> {
  const from = { reader, folder, unseen: disk.unseen };
  const number = await readOptional(from, 'partition');
  if (number === null) return null;
  const name = folder.split('/').at(-1) ?? '';
  return {
    name,
    node: `/dev/${name.replaceAll('!', '/')}`,
    majorMinor: (await readOptional(from, 'dev')) ?? '',
    number: Number(number),
    startBytes: ((await readInteger(from, 'start')) ?? 0) * sysfsSectorBytes,
    sizeBytes: ((await readInteger(from, 'size')) ?? 0) * sysfsSectorBytes,
    partUuid: null,
  };
}

/** Partitions are the folders below the disk's own that have a `partition` file; boot areas of an eMMC have none. */
async function readPartitions(disk: Disk, reader: SystemReader, folder: string): Promise<Partition[]> {
  const names = await reader.list(folder);
  if (!names.ok) {
    disk.unseen.push({ what: 'partitions', why: names.why, decides: true });
    return [];
  }
  const children = names.value.filter((name) => name !== disk.name && name.startsWith(disk.name));
  const found = await mapLimited(children, 4, (name) => readPartition(disk, reader, `${folder}/${name}`));
  return found.filter((partition) => partition !== null).sort((a, b) => a.number - b.number);
}

/** What is not seen of a stack concerns every disk that might be beneath it, so `unseen` is that of the machine. */
async function readNodes(
  { kind, model, ...disk }: Disk,
  reader: SystemReader,
  folder: string,
  unseen: UnseenFact[],
): Promise<BlockNode[]> {
  const label = kind === 'device-mapper' && model ? `${disk.name} (${model})` : disk.name;
  const whole: BlockNode = {
    name: disk.name,
    majorMinor: disk.majorMinor,
    disk: disk.name,
    isPartition: false,
    label,
    below: await listLinks(reader, `${folder}/slaves`, unseen),
    holders: await listHolders(reader, folder, unseen),
  };
  const parts = await mapLimited(disk.partitions, 4, async ({ name, majorMinor }) => {
    const holders = await listHolders(reader, `${folder}/${name}`, unseen);
    return { name, majorMinor, disk: disk.name, isPartition: true, label: name, below: [], holders };
  });
  return [whole, ...parts];
}

async function readBlock(
  reader: SystemReader,
  name: string,
  unseen: UnseenFact[],
): Promise<{ disk: Disk; nodes: BlockNode[] } | null> {
  const folder = await reader.realPath(`/sys/block/${name}`);
  if (!folder.ok) {
    // A device that left between the listing and the look is no gap in what we know.
    if (!isAbsent(folder)) unseen.push({ what: `/sys/block/${name}`, why: folder.why, decides: true });
    return null;
  }
  const disk = await readDisk(reader, folder.value);
  disk.partitions = await readPartitions(disk, reader, folder.value);
  return { disk, nodes: await readNodes(disk, reader, folder.value, unseen) };
}

/** Reads all block devices that sysfs lists: /sys/block is the list, and nothing else is. */
export async function readBlocks(reader: SystemReader): Promise<ReadBlocks> {
  const names = await reader.list('/sys/block');
  if (!names.ok) {
    return { disks: [], nodes: [], unseen: [{ what: '/sys/block', why: names.why, decides: true }] };
  }
  const unseen: UnseenFact[] = [];
  const found = await mapLimited(names.value, 8, (name) => readBlock(reader, name, unseen));
  const blocks = found.filter((one) => one !== null);
  return {
    disks: blocks.map(({ disk }) => disk),
    nodes: blocks.flatMap(({ nodes }) => nodes),
    unseen,
  };
}
