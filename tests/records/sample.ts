import type { CardIdentity } from '../../src/contract/devices.ts';
import type { DigestMap } from '../../src/contract/job.ts';
import { openRecords, type RecordsOptions } from '../../src/records/open-records.ts';
import type { NewJob } from '../../src/records/record-types.ts';

/** A USB reader with a generic serial, as many have. */
export const readerCard: CardIdentity = {
  node: '/dev/sdb',
  majorMinor: '8:16',
  port: 'usb:1-2',
  lun: 0,
  vendor: 'STORAGE',
  model: 'DEVICE',
  serial: '20120501030900000',
  cid: null,
  sizeBytes: 31_914_983_424,
  diskseq: 17,
};

/** The constructed example CID of the facts (its CRC7 computed), in an SD host's slot. */
export const slotCard: CardIdentity = {
  ...readerCard,
  node: '/dev/mmcblk0',
  majorMinor: '179:0',
  port: 'mmc:0',
  lun: null,
  serial: '0x12345678',
  cid: '0353445343333247801234567801312f',
};

export const orchardJob: NewJob = {
  kind: 'write',
  set: 'orchard',
  node: 'orchard-01',
  card: readerCard,
  image: {
    path: '/images/node-os.img.xz',
    container: 'xz',
    packedSha256: 'a'.repeat(64),
    sizeBytes: 1_873_805_312,
    digestMapRoot: null,
  },
  toolVersion: '0.1.0',
};

export const sampleMap = (mibs: number, byte = 7): DigestMap => ({
  sizeBytes: mibs * 2 ** 20,
  digests: new Uint8Array(mibs * 32).map((_, at) => (byte + at * 31 + (at >> 5)) & 0xff),
});

/** Compares large maps without the runner's slow walk over each byte. */
export const isSameMap = (found: DigestMap | null, map: DigestMap): boolean =>
  found !== null && found.sizeBytes === map.sizeBytes && Buffer.compare(found.digests, map.digests) === 0;

/** A clock that moves one second at each look. */
export function tickingClock(startMs = 1_700_000_000_000): () => number {
  let nowMs = startMs;
  return () => {
    nowMs += 1000;
    return nowMs;
  };
}

export const openSample = (path: string, options: Partial<RecordsOptions> = {}) =>
  openRecords(path, { now: tickingClock(), ...options });
