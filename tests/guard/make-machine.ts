import fc from 'fast-check';
import type { DeviceGraph, Disk, DiskKind, DiskUse } from '../../src/contract/devices.ts';
import type { Policy } from '../../src/contract/policy.ts';
import { makeDisk, makeGraph, makePartition, makePolicy, makeUse } from './make-disk.ts';

/*
 * Invented machines. A recipe says which disks there are, what is stacked on what and what uses the top; from it
 * come the graph that the guard sees and, by a walk of its own, the names of the disks that are in use.
 */

type LayerKind = 'device-mapper' | 'md' | 'loop' | 'btrfs';

interface Layer {
  kind: LayerKind;
  /** picks from everything that lies below; two for a mirror */
  below: number[];
}

interface EndUse {
  kind: DiskUse['kind'];
  what: string;
  namespace: DiskUse['namespace'];
  on: number;
}

export interface Recipe {
  disks: { kind: DiskKind; partitions: number }[];
  layers: Layer[];
  uses: EndUse[];
  isHolderListed: boolean;
}

/** Points that make a disk a system disk under every policy. */
export const systemPoints = [
  '/',
  '/usr',
  '/usr/local',
  '/var',
  '/var/lib/data',
  '/home',
  '/home/grower',
].concat([
  '/boot',
  '/boot/efi',
  '/efi',
  '/run',
  '/run/live/medium',
  '/cdrom',
  '/etc',
  '/opt/sensors',
  '/nix/store',
]);
const otherPoints = [
  '/srv/orchard',
  '/data',
  '/media',
  '/mnt',
  '/media/grower/BOOT',
  '/mnt/card',
  '/run/media/x/y',
];

const cardKinds: DiskKind[] = ['usb', 'mmc-sd', 'memstick', 'mmc-emmc', 'nvme', 'sata', 'scsi', 'virtio'];

const endUse: fc.Arbitrary<EndUse> = fc.record({
  kind: fc.oneof(
    { weight: 4, arbitrary: fc.constant<EndUse['kind']>('mount') },
    fc.constantFrom<EndUse['kind']>('swap', 'boot-chain', 'configured', 'open-descriptor', 'holder'),
  ),
  what: fc.constantFrom(...systemPoints, ...otherPoints),
  namespace: fc.constantFrom('own' as const, 'init' as const, null),
  on: fc.nat(),
});

export const recipe: fc.Arbitrary<Recipe> = fc.record({
  disks: fc.array(fc.record({ kind: fc.constantFrom(...cardKinds), partitions: fc.nat(3) }), {
    minLength: 1,
    maxLength: 5,
  }),
  layers: fc.array(
    fc.record({
      kind: fc.constantFrom<LayerKind>('device-mapper', 'md', 'loop', 'btrfs'),
      below: fc.array(fc.nat(), { minLength: 1, maxLength: 2 }),
    }),
    { maxLength: 6 },
  ),
  uses: fc.array(endUse, { maxLength: 5 }),
  isHolderListed: fc.boolean(),
});

/** Whatever somebody might put into a policy, every disk of the machine named in it included. */
export function anyPolicy(graph: DeviceGraph): fc.Arbitrary<Policy> {
  const names = graph.disks.flatMap((d) => [d.node, ...d.byIds, ...(d.cid ? [d.cid] : [])]);
  const places = [
    '/',
    '',
    '//',
    '/.',
    '/home',
    '/usr',
    '/boot',
    '/run',
    '/var/lib',
    '/srv',
    '/media',
    '/mnt',
    '/run/media',
  ];
  return fc
    .record({
      transports: fc.subarray([...cardKinds, 'loop', 'device-mapper', 'md'] as DiskKind[]),
      allowDevices: fc.oneof(fc.constant(names), fc.subarray(names)),
      unmountBelow: fc.oneof(fc.constant(places), fc.subarray(places)),
    })
    .map((change) => makePolicy({ ...change, maxSizeBytes: Number.MAX_SAFE_INTEGER, source: '/etc/p.yaml' }));
}

/** Something that others can stand on: a disk, a partition, or a layer. */
interface Volume {
  name: string;
  node: string;
  layer: LayerKind | null;
  /** every way down to a disk: the disk, the part of it, and the names from there upwards */
  ways: { disk: Disk; on: string; through: string[] }[];
}

function makeDisks(from: Recipe): Disk[] {
  return from.disks.map(({ kind, partitions }, at) => {
    const name = `sd${String.fromCharCode(97 + at)}`;
    const parts = Array.from({ length: partitions }, (_, i) => makePartition(name, i + 1));
    return makeDisk({ name, kind, partitions: parts, cid: `${at}`.repeat(32) });
  });
}

function diskVolumes(disk: Disk): Volume[] {
  return [disk, ...disk.partitions].map(({ name, node }) => ({
    name,
    node,
    layer: null,
    ways: [{ disk, on: name, through: name === disk.name ? [] : [name] }],
  }));
}

function stackLayer(layer: Layer, at: number, volumes: Volume[]): { volume: Volume; disk: Disk | null } {
  const below = [...new Set(layer.below.map((pick) => volumes[pick % volumes.length]!))];
  const name =
    layer.kind === 'btrfs' ? `pool-${at}` : layer.kind === 'loop' ? `loop${at}` : `${layer.kind}-${at}`;
  const ways = below.flatMap((b) => b.ways.map((way) => ({ ...way, through: [...way.through, name] })));
  const node = `/dev/${name}`;
  const disk =
    layer.kind === 'btrfs'
      ? null
      : makeDisk({
          name,
          majorMinor: `7:${at}`,
          kind: layer.kind,
          backingFile: layer.kind === 'loop' ? below[0]!.node : null,
          removable: false,
        });
  return { volume: { name, node, layer: layer.kind, ways }, disk };
}

export interface Machine {
  graph: DeviceGraph;
  /** names of the disks that no policy may open: something is stacked on them, or the system uses them */
  occupied: Set<string>;
  /** deepest stack */
  depth: number;
}

interface Building {
  disks: Disk[];
  volumes: Volume[];
  occupied: Set<string>;
  depth: number;
}

const holderUse = {
  'device-mapper': 'holder',
  md: 'holder',
  loop: 'loop-backing',
  btrfs: 'btrfs-member',
} as const;

function addLayer(layer: Layer, at: number, from: Recipe, built: Building): void {
  const { volume, disk } = stackLayer(layer, at, built.volumes);
  built.volumes.push(volume);
  // A stacked disk writes through to what lies below it, so it is as occupied as anything can be.
  if (disk !== null) {
    built.disks.push(disk);
    built.occupied.add(disk.name);
  }
  built.depth = Math.max(built.depth, ...volume.ways.map((way) => way.through.length));
  // Newer stackers leave no holder link: then only what is mounted above tells.
  if (!from.isHolderListed && layer.kind === 'device-mapper') return;
  for (const { disk: bottom, on, through } of volume.ways) {
    bottom.uses.push(makeUse({ kind: holderUse[layer.kind], what: volume.name, on, through }));
    built.occupied.add(bottom.name);
  }
}

function addUse(use: EndUse, { volumes, occupied }: Building): void {
  const volume = volumes[use.on % volumes.length]!;
  const isCardPlace = otherPoints.includes(use.what) && use.kind === 'mount' && use.namespace === 'own';
  for (const { disk, on, through } of volume.ways) {
    disk.uses.push(makeUse({ ...use, on, through, fsType: volume.layer === 'btrfs' ? 'btrfs' : 'ext4' }));
    if (volume.layer !== null || !isCardPlace) occupied.add(disk.name);
  }
}

export function buildMachine(from: Recipe): Machine {
  const disks = makeDisks(from);
  const built: Building = { disks, volumes: disks.flatMap(diskVolumes), occupied: new Set(), depth: 0 };
  for (const [at, layer] of from.layers.entries()) addLayer(layer, at, from, built);
  for (const use of from.uses) addUse(use, built);
  return { graph: makeGraph(built.disks), occupied: built.occupied, depth: built.depth };
}
