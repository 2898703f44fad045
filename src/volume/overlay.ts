import type { ByteSource, ChangedRange } from '../contract/blocks.ts';
import { CardwrightError } from '../contract/cardwright-error.ts';

/** The part of a card that may be read and changed, and the sector size in which it is written. */
export interface Extent {
  /** absolute, a multiple of `sectorBytes` */
  startByte: number;
  /** a multiple of `sectorBytes` */
  sizeBytes: number;
  /** the disk's logical block: 512 or 4096 */
  sectorBytes: number;
}

/** The order in which changed sectors go to the card. */
export const writeOrder = { fileData: 0, allocation: 1, directory: 2 } as const;
export type WriteOrder = (typeof writeOrder)[keyof typeof writeOrder];

export interface Overlay {
  readonly sizeBytes: number;
  /** bytes as they are now; `offset` is relative to the extent */
  read(offset: number, length: number): Uint8Array;
  /** keeps bytes in memory; `offset` is relative to the extent */
  write(offset: number, bytes: Uint8Array, order: WriteOrder): void;
  /** remembers how things stand; the function it gives puts them back */
  checkpoint(): () => void;
  /** what has to be written to the card, at absolute offsets */
  changes(): ChangedRange[];
}

interface HeldSector {
  data: Uint8Array;
  order: WriteOrder;
}

/** No edit of a boot volume comes near this; a damaged one must not fill the memory. */
const mostHeldBytes = 256 * 2 ** 20;
const longestRunBytes = 2 ** 20;

function checkExtent(source: ByteSource, extent: Extent): void {
  const { startByte, sizeBytes, sectorBytes } = extent;
  const whole = [startByte, sizeBytes].every((n) => Number.isSafeInteger(n) && n % sectorBytes === 0);
  if (!whole || startByte < 0 || sizeBytes <= 0 || startByte + sizeBytes > source.sizeBytes) {
    throw new CardwrightError('volume.out-of-bounds', {
      facts: { offset: startByte, length: sizeBytes },
    });
  }
}

const isSame = (a: Uint8Array, b: Uint8Array) => Buffer.compare(a, b) === 0;

/** Neighbouring sectors of one order, no longer than a MiB together. */
function* runsOf(sectors: readonly number[], longest: number, orderOf: (sector: number) => WriteOrder) {
  let run: number[] = [];
  for (const sector of sectors) {
    const last = run.at(-1);
    const joins =
      last !== undefined && last + 1 === sector && run.length < longest && orderOf(last) === orderOf(sector);
    if (!joins && run.length > 0) {
      yield run;
      run = [];
    }
    run.push(sector);
  }
  if (run.length > 0) yield run;
}

/**
 * Copy-on-write over one extent of a source: reads fall through, writes stay in memory by whole sectors.
 * `changes()` gives sectors whose content really differs, merged into runs: file data first, then allocation
 * tables, directories last, so that a cut leaves at worst lost clusters and never a name that points to nothing.
 * The writer of a sector names its order, because only the file system knows what a sector is; a sector written
 * under two orders keeps the later one.
 * @throws CardwrightError volume.out-of-bounds, volume.too-much-held, and whatever the source throws
 */
export function createOverlay(source: ByteSource, extent: Extent): Overlay {
  checkExtent(source, extent);
  const { startByte, sizeBytes, sectorBytes } = extent;
  let held = new Map<number, HeldSector>();

  const checkRange = (offset: number, length: number): void => {
    const inside = Number.isSafeInteger(offset) && Number.isSafeInteger(length) && offset >= 0 && length >= 0;
    if (!inside || offset + length > sizeBytes) {
      throw new CardwrightError('volume.out-of-bounds', { facts: { offset, length } });
    }
  };

  const read = (offset: number, length: number): Uint8Array => {
    checkRange(offset, length);
    const bytes = Uint8Array.from(source.read(startByte + offset, length));
    const last = Math.ceil((offset + length) / sectorBytes);
    for (let sector = Math.floor(offset / sectorBytes); sector < last; sector++) {
      const over = held.get(sector);
      if (over === undefined) continue;
      const at = sector * sectorBytes - offset;
      const from = Math.max(0, -at);
      const to = Math.min(sectorBytes, length - at);
      bytes.set(over.data.subarray(from, to), at + from);
    }
    return bytes;
  };

  const write = (offset: number, bytes: Uint8Array, order: WriteOrder): void => {
    checkRange(offset, bytes.length);
    const first = Math.floor(offset / sectorBytes);
    const last = Math.ceil((offset + bytes.length) / sectorBytes);
    for (let sector = first; sector < last; sector++) {
      const at = sector * sectorBytes - offset;
      const data = read(sector * sectorBytes, sectorBytes);
      const piece = bytes.subarray(Math.max(0, at), Math.min(bytes.length, at + sectorBytes));
      data.set(piece, Math.max(0, -at));
      const before = held.get(sector)?.order ?? order;
      held.set(sector, { data, order: before > order ? before : order });
    }
    if (held.size * sectorBytes > mostHeldBytes) {
      throw new CardwrightError('volume.too-much-held', { facts: { mostBytes: mostHeldBytes } });
    }
  };

  const changes = (): ChangedRange[] => {
    const orderOf = (sector: number): WriteOrder => held.get(sector)?.order ?? writeOrder.fileData;
    const sorted = [...held.keys()].sort((a, b) => orderOf(a) - orderOf(b) || a - b);
    const longest = longestRunBytes / sectorBytes;
    const changed: number[] = [];
    for (const run of runsOf(sorted, longest, orderOf)) {
      const first = run[0] ?? 0;
      const original = source.read(startByte + first * sectorBytes, run.length * sectorBytes);
      for (const sector of run) {
        const at = (sector - first) * sectorBytes;
        const data = held.get(sector)?.data;
        if (data && !isSame(data, original.subarray(at, at + sectorBytes))) changed.push(sector);
      }
    }
    return [...runsOf(changed, longest, orderOf)].map((run) => ({
      offset: startByte + (run[0] ?? 0) * sectorBytes,
      data: Buffer.concat(run.map((sector) => held.get(sector)?.data ?? new Uint8Array())),
    }));
  };

  const checkpoint = () => {
    const before = new Map(held);
    return () => {
      held = before;
    };
  };

  return { sizeBytes, read, write, checkpoint, changes };
}
