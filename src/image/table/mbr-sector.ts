import { viewOf } from '../byte-view.ts';

/** Where the four entries of 16 bytes begin: UEFI 2.11 section 5.2.1, table 5.1. */
const firstEntryByte = 446;
export const primaryEntries = 4;

export const protectiveType = 0xee;
/** extended partitions: CHS, LBA and the old Linux one (sfdisk --label dos -T) */
const extendedTypes: ReadonlySet<number> = new Set([0x05, 0x0f, 0x85]);

export interface MbrEntry {
  /** 1 to 4 */
  slot: number;
  isActive: boolean;
  type: number;
  startSector: number;
  sectors: number;
}

export function isExtended(type: number): boolean {
  return extendedTypes.has(type);
}

export function hasBootSignature(sector: Uint8Array): boolean {
  return sector[510] === 0x55 && sector[511] === 0xaa;
}

/**
 * The four entries of an MBR or of an extended boot record; empty ones are left out. Null where the sector is none:
 * no 55 AA, or boot indicators other than 00 and 80 (by which Linux tells it from a boot sector of a volume).
 */
export function readEntries(sector: Uint8Array): MbrEntry[] | null {
  if (sector.length < 512 || !hasBootSignature(sector)) return null;
  const view = viewOf(sector);
  const entries: MbrEntry[] = [];
  for (let slot = 1; slot <= primaryEntries; slot++) {
    const at = firstEntryByte + (slot - 1) * 16;
    const indicator = view.getUint8(at);
    if (indicator !== 0 && indicator !== 0x80) return null;
    const type = view.getUint8(at + 4);
    const sectors = view.getUint32(at + 12, true);
    if (type === 0 || sectors === 0) continue;
    entries.push({
      slot,
      isActive: indicator === 0x80,
      type,
      startSector: view.getUint32(at + 8, true),
      sectors,
    });
  }
  return entries;
}

/** Disk signature at byte 440, as eight hex digits. */
export function diskSignature(sector: Uint8Array): string {
  return viewOf(sector).getUint32(440, true).toString(16).padStart(8, '0');
}

/** CHS of a place beyond what CHS can name: head 254, sector 63, cylinder 1023, as sfdisk writes it. */
const beyondChs = [0xfe, 0xff, 0xff];

/** Fills one of the four entries, not active, in a copy of the sector. */
export function withEntry(
  sector: Uint8Array,
  entry: Pick<MbrEntry, 'slot' | 'type' | 'startSector' | 'sectors'>,
): Uint8Array {
  const copy = Uint8Array.from(sector);
  const view = viewOf(copy);
  const at = firstEntryByte + (entry.slot - 1) * 16;
  copy.set([0, ...beyondChs, entry.type, ...beyondChs], at);
  view.setUint32(at + 8, entry.startSector, true);
  view.setUint32(at + 12, entry.sectors, true);
  return copy;
}

/** Lets the protective entry, whichever of the four it is, cover a disk of so many sectors (UEFI 2.11 section 5.2.3). */
export function withProtectedSectors(sector: Uint8Array, diskSectors: number): Uint8Array {
  const copy = Uint8Array.from(sector);
  const view = viewOf(copy);
  for (let at = firstEntryByte; at < firstEntryByte + primaryEntries * 16; at += 16) {
    if (view.getUint8(at + 4) !== protectiveType) continue;
    copy.set(beyondChs, at + 5);
    view.setUint32(at + 12, Math.min(diskSectors - view.getUint32(at + 8, true), 0xffffffff), true);
  }
  return copy;
}
