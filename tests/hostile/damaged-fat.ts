import fc from 'fast-check';

/** Where the parts of a FAT volume lie, by its own boot sector (Microsoft FAT specification 1.03). */
interface FatLayout {
  bits: 12 | 16 | 32;
  fatStart: number;
  fatBytes: number;
  rootStart: number;
  dataStart: number;
  clusterBytes: number;
}

export function layoutOf(volume: Buffer, bits: FatLayout['bits']): FatLayout {
  const fatBytes = (volume.readUInt16LE(22) || volume.readUInt32LE(36)) * 512;
  const fatStart = volume.readUInt16LE(14) * 512;
  const rootStart = fatStart + volume.readUInt8(16) * fatBytes;
  const dataStart = rootStart + volume.readUInt16LE(17) * 32;
  return { bits, fatStart, fatBytes, rootStart, dataStart, clusterBytes: volume.readUInt8(13) * 512 };
}

/** Sets one entry of a table ("FAT Data Structure"), in one copy or in both. */
function setEntry(
  volume: Buffer,
  layout: FatLayout,
  cluster: number,
  value: number,
  copies: readonly number[],
): void {
  for (const copy of copies) {
    const start = layout.fatStart + copy * layout.fatBytes;
    if (layout.bits === 32) volume.writeUInt32LE(value >>> 0, start + cluster * 4);
    else if (layout.bits === 16) volume.writeUInt16LE(value & 0xffff, start + cluster * 2);
    else {
      const at = start + cluster + (cluster >> 1);
      const pair = volume.readUInt16LE(at);
      const next = cluster & 1 ? (pair & 0xf) | ((value & 0xfff) << 4) : (pair & 0xf000) | (value & 0xfff);
      volume.writeUInt16LE(next, at);
    }
  }
}

type Damage = (volume: Buffer, layout: FatLayout) => void;

const byte = fc.oneof(fc.nat(255), fc.constantFrom(0, 1, 2, 0x0f, 0x10, 0x2e, 0x7f, 0x80, 0xe5, 0xf7, 0xff));
/** Most of the used clusters, and a few far ones. */
const cluster = fc.oneof(fc.integer({ min: 2, max: 160 }), fc.integer({ min: 2, max: 1900 }));
const size = fc.oneof(fc.nat(70_000), fc.constantFrom(0, 1, 512, 2 ** 20, 2 ** 31, 0xffffffff));

/** Fields of the boot sector: where each lies, how long it is ("Boot Sector and BPB"). */
const bootFields: [at: number, bytes: 1 | 2 | 4][] = [
  ...([
    [11, 2],
    [13, 1],
    [14, 2],
    [16, 1],
    [17, 2],
    [19, 2],
    [21, 1],
    [22, 2],
  ] as [number, 1 | 2][]),
  ...([
    [32, 4],
    [36, 4],
    [40, 2],
    [42, 2],
    [44, 4],
    [48, 2],
    [50, 2],
    [66, 1],
  ] as [number, 1 | 2 | 4][]),
];
const fieldValue = fc.oneof(
  fc.constantFrom(0, 1, 2, 3, 8, 32, 33, 64, 128, 255, 256, 512, 1024, 2048, 4096, 4087, 0x7fff, 0xffff),
  fc.constantFrom(0x10000, 0x7fffffff, 0x80000000, 0xfffffff0, 0xffffffff),
  fc.nat(0xffff),
);

const bootDamage = fc.tuple(fc.constantFrom(...bootFields), fieldValue).map(
  ([[at, bytes], value]): Damage =>
    (volume) =>
      void volume.writeUIntLE(value % 2 ** (8 * bytes), at, bytes),
);

const tableDamage = fc
  .record({
    from: cluster,
    to: fc.oneof(cluster, fc.constantFrom(0, 1, 0x0ff7, 0xfff7, 0x0ffffff7, 0x0ffffff8, 0xffffffff, 70_000)),
    copies: fc.constantFrom([0], [1], [0, 1], [0, 1]),
    isLoop: fc.boolean(),
  })
  .map(
    ({ from, to, copies, isLoop }): Damage =>
      (volume, layout) => {
        setEntry(volume, layout, from, isLoop ? from : to, copies);
      },
  );

/** Entries of 32 bytes in the root, or in the first clusters, where the folders of these volumes are. */
function entryPlace(layout: FatLayout, place: number): number {
  const inRoot = layout.bits === 32 ? layout.dataStart : layout.rootStart;
  return (place % 2 === 0 ? inRoot : layout.dataStart) + ((place >> 1) % 48) * 32;
}

const entryDamage = fc
  .record({
    place: fc.nat(95),
    other: fc.nat(95),
    what: fc.constantFrom('byte', 'cluster', 'size', 'attributes', 'copy', 'swap', 'wipe'),
    at: fc.nat(31),
    byte,
    cluster: fc.oneof(cluster, fc.constantFrom(0, 1, 2, 0xffff)),
    size,
  })
  .map(
    (change): Damage =>
      (volume, layout) => {
        const at = entryPlace(layout, change.place);
        const other = entryPlace(layout, change.other);
        const entry = volume.subarray(at, at + 32);
        if (change.what === 'byte') entry[change.at] = change.byte;
        if (change.what === 'attributes') entry[11] = change.byte;
        if (change.what === 'cluster') entry.writeUInt16LE(change.cluster, 26);
        if (change.what === 'size') entry.writeUInt32LE(change.size, 28);
        if (change.what === 'copy') volume.copy(volume, other, at, at + 32);
        if (change.what === 'swap') {
          const kept = Buffer.from(entry);
          volume.copy(volume, at, other, other + 32);
          kept.copy(volume, other);
        }
        if (change.what === 'wipe') entry.fill(change.byte);
      },
  );

const anyDamage = fc.tuple(fc.nat(48 * 1024), fc.uint8Array({ minLength: 1, maxLength: 64 })).map(
  ([at, bytes]): Damage =>
    (volume) =>
      volume.set(bytes, at),
);

/** FSInfo: free count and next free cluster, right or wrong, also in a volume that has none. */
const infoDamage = fc.tuple(fieldValue, fieldValue).map(
  ([free, next]): Damage =>
    (volume) => {
      volume.writeUInt32LE(free, 512 + 488);
      volume.writeUInt32LE(next, 512 + 492);
    },
);

const damage = fc.oneof(
  { weight: 2, arbitrary: bootDamage },
  { weight: 4, arbitrary: tableDamage },
  { weight: 6, arbitrary: entryDamage },
  { weight: 1, arbitrary: infoDamage },
  { weight: 1, arbitrary: anyDamage },
);

/** The volume with one to eight kinds of damage done to it; its 55 AA stays. */
export function damagedVolume(sound: Buffer, bits: FatLayout['bits']): fc.Arbitrary<Buffer> {
  const layout = layoutOf(sound, bits);
  return fc.array(damage, { minLength: 1, maxLength: 8 }).map((all) => {
    const volume = Buffer.from(sound);
    for (const one of all) one(volume, layout);
    volume.writeUInt16LE(0xaa55, 510);
    return volume;
  });
}
