/** One block device, whole disk or partition, with what it stands on. */
export interface BlockNode {
  name: string;
  majorMinor: string;
  /** the whole disk: itself, or its parent */
  disk: string;
  isPartition: boolean;
  /** its name for people: "dm-0 (vg0-root)" */
  label: string;
  /** block devices it stands on, by name: slaves, what lies behind a loop or a zram */
  below: string[];
  /** what stands on it, by the kernel's links */
  holders: string[];
}

export interface BlockMap {
  byName: Map<string, BlockNode>;
  byNumbers: Map<string, BlockNode>;
}

export function makeBlockMap(nodes: readonly BlockNode[]): BlockMap {
  return {
    byName: new Map(nodes.map((node) => [node.name, node])),
    byNumbers: new Map(nodes.map((node) => [node.majorMinor, node])),
  };
}

/** One disk that is beneath a block device, and the way up from it. */
export interface Standing {
  disk: string;
  /** the disk or the partition of it on which the stack stands */
  on: string;
  /** the stack from the disk upwards, partition first, the device itself last; the disk is left out */
  through: string[];
}

/** Deeper than any stack a person builds; a cycle in what the machine tells must not hang us. */
const deepest = 24;

function walkDown(map: BlockMap, name: string, above: readonly string[], found: Standing[]): void {
  const node = map.byName.get(name);
  if (!node || above.length > deepest) return;
  const disk = map.byName.get(node.disk);
  const onTop = node.isPartition ? [node.label, ...above] : above;
  found.push({ disk: node.disk, on: name, through: [...onTop] });
  for (const below of disk?.below ?? []) {
    walkDown(map, below, [disk?.label ?? node.disk, ...onTop], found);
  }
}

/**
 * Every whole disk beneath the block device `name`, itself included, down through every stack: a logical volume on an
 * encrypted partition stands on two mappings and on one disk, so three standings. Empty for an unknown name.
 */
export function standingsOf(map: BlockMap, name: string): Standing[] {
  const found: Standing[] = [];
  walkDown(map, name, [], found);
  return found;
}
