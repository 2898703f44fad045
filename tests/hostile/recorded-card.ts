import { expect } from 'vitest';
import type { DigestMap } from '../../src/contract/job.ts';
import { mibBytes } from '../../src/contract/job.ts';
import { type CardSource, createCardSource } from '../../src/job/engine/card-source.ts';
import {
  createDigestMap,
  isEqual,
  pieceCount,
  pieceDigest,
  pieceLength,
  setPieceDigest,
  sha256,
} from '../../src/job/engine/digest-map.ts';
import { type EditOrder, editBootVolume } from '../../src/job/engine/edit-boot-volume.ts';
import type { Medium } from '../../src/media/medium.ts';
import { createMemoryMedium } from '../../src/media/memory-medium.ts';
import type { Extent } from '../../src/volume/overlay.ts';
import { growerHash, orchardNode, orchardPlan } from '../identity/orchard.ts';

/** A card in memory with an image on it, as the engine holds it before it edits the boot volume. */
export interface RecordedCard {
  medium: Medium;
  map: DigestMap;
  source: CardSource;
  headIsHeld: boolean;
  /** where each write began and ended */
  writes: { from: number; to: number }[];
  /** what the card would hold in the end, the held-back head in its place */
  content(): Buffer;
}

export function recordedCard(image: Uint8Array, headIsHeld: boolean): RecordedCard {
  const memory = createMemoryMedium(image.length);
  memory.bytes.set(image);
  const head = headIsHeld ? Uint8Array.from(image.subarray(0, mibBytes)) : null;
  if (head) memory.bytes.fill(0, 0, head.length);
  const map = createDigestMap(image.length);
  for (let piece = 0; piece < pieceCount(image.length); piece++) {
    const at = piece * mibBytes;
    setPieceDigest(map, piece, sha256(image.subarray(at, at + pieceLength(map, piece))));
  }
  const writes: RecordedCard['writes'] = [];
  const medium: Medium = {
    ...memory,
    write(source, offset) {
      writes.push({ from: offset, to: offset + source.length });
      return memory.write(source, offset);
    },
  };
  return {
    medium,
    map,
    source: createCardSource(medium, map, () => head),
    headIsHeld,
    writes,
    content() {
      const whole = Buffer.from(memory.bytes);
      if (head) whole.set(head);
      return whole;
    },
  };
}

/** Everything of a node that goes onto a volume: new files, replaced ones, a long name, a folder, a large file. */
export function orderFor(volume: Extent): EditOrder {
  return {
    volume,
    plan: orchardPlan({ passwordHash: growerHash }),
    node: orchardNode({ address: '192.0.2.11/24' }),
    extraFiles: [
      { path: 'kernel.img', content: Buffer.alloc(20_000, 'k') },
      { path: 'files/of the orchard/extra.txt', content: Buffer.from('extra') },
    ],
    firstBootFiles: [],
    instanceId: 'orchard-01-6f1c',
    hostKeys: [],
    identity: {
      set: 'orchard',
      node: 'orchard-01',
      record: '0b9c2f9e-58a5-4a7c-9a55-7d6f3b1f0c11',
      imageSha256: null,
      tool: '0.1.0',
      writtenAt: '2031-11-03T21:46:58.000Z',
    },
    root: null,
    filesKey: Buffer.alloc(32, 'key'),
    modifiedAtMs: Date.UTC(2031, 10, 3),
  };
}

/** The engine's edit of a boot volume. */
export const editCard = (card: RecordedCard, volume: Extent) => editBootVolume(card, orderFor(volume));

/** Places of writes that do not lie inside the volume. */
export function writesOutside(card: RecordedCard, { startByte, sizeBytes }: Extent) {
  return card.writes.filter(({ from, to }) => from < startByte || to > startByte + sizeBytes);
}

/** Around the volume nothing is other than before, and the map says what the card really holds. */
export function expectSoundCard(card: RecordedCard, before: Buffer, { startByte, sizeBytes }: Extent): void {
  const after = card.content();
  expect(isEqual(after.subarray(0, startByte), before.subarray(0, startByte))).toBe(true);
  expect(isEqual(after.subarray(startByte + sizeBytes), before.subarray(startByte + sizeBytes))).toBe(true);
  for (let piece = 0; piece < pieceCount(after.length); piece++) {
    const at = piece * mibBytes;
    const found = sha256(after.subarray(at, at + pieceLength(card.map, piece)));
    expect(isEqual(found, pieceDigest(card.map, piece))).toBe(true);
  }
}
