import * as fs from 'node:fs';
import { CardwrightError } from '../contract/cardwright-error.ts';
import type { Disk } from '../contract/devices.ts';
import type { SystemReader } from '../contract/system-reader.ts';
import type { CardInReader } from '../job/supervisor/card-in-reader.ts';
import type { MediumFault } from '../media/faulty-medium.ts';

const blockBytes = 512;

/**
 * The disk that a make-believe reader shows. It is judged by the same guard and approved by the same code as a real
 * one; what it cannot have is a node below /dev.
 */
export function makeBelieveDisk(path: string, reader: number, sizeBytes: number): Disk {
  return {
    name: `card-${reader}`,
    node: path,
    majorMinor: `0:${reader}`,
    kind: 'usb',
    port: `rehearsal:${reader}`,
    lun: null,
    vendor: 'make-believe',
    model: 'card',
    serial: null,
    cid: null,
    sizeBytes,
    diskseq: null,
    logicalBlockBytes: blockBytes,
    physicalBlockBytes: blockBytes,
    readOnly: false,
    hidden: false,
    removable: true,
    usbConnectType: 'hotplug',
    usbId: null,
    byIds: [],
    partitions: [],
    backingFile: null,
    signatures: [],
    uses: [],
    wear: null,
    genericNode: null,
    description: null,
    unseen: [],
  };
}

/** A new card: a sparse file of zeros. It must not be there yet, so that nothing of anybody's is overwritten. */
export function makeCardFile(path: string, sizeBytes: number): void {
  const fd = fs.openSync(path, 'wx', 0o644);
  try {
    fs.ftruncateSync(fd, sizeBytes);
  } finally {
    fs.closeSync(fd);
  }
}

/**
 * Opens a make-believe card. Only a plain file is one: a rehearsal never touches a disk.
 *
 * @throws CardwrightError `job.not-make-believe`
 */
export function openMakeBelieveCard(disk: Disk, fault: MediumFault | null): CardInReader {
  const { O_RDWR, O_NOFOLLOW } = fs.constants;
  const fd = fs.openSync(disk.node, O_RDWR | O_NOFOLLOW);
  if (!fs.fstatSync(fd).isFile()) {
    fs.closeSync(fd);
    throw new CardwrightError('job.not-make-believe', { card: 'untouched', facts: { path: disk.node } });
  }
  const { node, majorMinor, port, lun, vendor, model, serial, cid, sizeBytes, diskseq } = disk;
  return {
    kind: 'file',
    fd,
    identity: { node, majorMinor, port, lun, vendor, model, serial, cid, sizeBytes, diskseq },
    blockBytes,
    diskseqFd: null,
    statFd: null,
    counts: false,
    fault,
    recheck: async () => [],
    lookIntoSlot: async () => null,
    eject: async () => true,
    close: () => fs.closeSync(fd),
  };
}

/** Reads a card file where a real station would read a disk: enough for the approval code. */
export const cardFileReader: Pick<SystemReader, 'readBytes'> = {
  async readBytes(path, offset, length) {
    const fd = fs.openSync(path, 'r');
    try {
      const bytes = new Uint8Array(length);
      return { ok: true, value: bytes.subarray(0, fs.readSync(fd, bytes, 0, length, offset)) };
    } finally {
      fs.closeSync(fd);
    }
  },
};
