import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { EventPort } from '../../contract/events.ts';
import type { Finding } from '../../contract/finding.ts';
import type { ImageVolume } from '../../contract/image.ts';
import { type DigestMap, type ImageLayout, mibBytes } from '../../contract/job.ts';
import { findCloneHazards } from '../../image/clone-hazards.ts';
import {
  checkProbe,
  chooseProbePlaces,
  clearProbe,
  type ProbePlace,
  writeProbe,
} from '../../media/capacity-probe.ts';
import type { Medium } from '../../media/medium.ts';
import type { Extent } from '../../volume/overlay.ts';
import { addSeed, type SeedOrder } from './add-seed.ts';
import { roundUp, sealBody, sealFirstBlock, settleHead, takeHeadOff } from './card-head.ts';
import { createCardSource, createPlainSource } from './card-source.ts';
import { classifyDamage, type Damage } from './classify-damage.ts';
import { coveredBytes, isEqual, pieceCount, pieceDigest, pieceLength, sha256 } from './digest-map.ts';
import {
  checkEdit,
  checkNodeFiles,
  type EditOrder,
  type EditReport,
  editBootVolume,
  type WrittenFile,
} from './edit-boot-volume.ts';
import { type EditForecast, foreseeCardEdit } from './foresee-edit.ts';
import type { ImageFeed } from './image-feed.ts';
import { type FilesLook, lookAtFiles } from './look-at-files.ts';
import type { PieceMemory } from './piece-memory.ts';
import { startProgress } from './progress.ts';
import { type CardRead, readCard } from './read-card.ts';
import { type Mismatch, verifyCard } from './verify-card.ts';
import { writeImage } from './write-image.ts';

/** What a session can be told to do: its order and its answer. One call at a time; the supervisor conducts. */
export interface SessionCalls {
  /** what a card says of itself: partitions, boot volume, our identity file; nothing is written */
  readCard: [order: Record<string, never>, answer: CardRead];
  /** how the files of a card stand to what its identity file says of them; nothing is written */
  lookAtFiles: [order: { volume: Extent; key: Uint8Array | null }, answer: FilesLook | null];
  /** takes a finished card's head into memory, after comparing it with the map of its record */
  holdHead: [order: { map: DigestMap }, answer: null];
  takeHeadOff: [order: { keepBytes: number }, answer: null];
  probe: [
    order: { salt: Uint8Array; imageBytes: number; seedStartByte: number | null },
    answer: { places: number },
  ];
  /** `wholePieces`: the last MiB is filled with zeros, since more follows behind the image */
  write: [order: { imageBytes: number; digestWhole: boolean; wholePieces: boolean }, answer: WriteAnswer];
  /** makes an empty seed volume at the card's far end and enters it in the table; after `write` */
  addSeed: [order: SeedOrder, answer: null];
  /** digests an image without writing it anywhere */
  digestImage: [order: { imageBytes: number }, answer: { map: DigestMap }];
  /** refuses what `edit` would, before anything is changed */
  checkEdit: [order: EditOrder, answer: null];
  /** what `edit` would do to a finished card of this map; nothing is written */
  foreseeEdit: [order: { map: DigestMap; edit: EditOrder }, answer: EditForecast];
  edit: [order: EditOrder, answer: EditReport];
  /** `map` null: the map of this session; `headIsOff`: the first MiB must read as zeros */
  verify: [order: { map: DigestMap | null; headIsOff: boolean; layout: ImageLayout }, answer: VerifyAnswer];
  /** opens the boot volume again, from the medium, and compares the files that were put there */
  checkFiles: [order: { volume: Extent; files: WrittenFile[] }, answer: { different: string[] }];
  /** what would make nodes from this image collide, looked for on the card; nothing is written */
  lookForHazards: [order: { volumes: ImageVolume[] }, answer: { findings: Finding[] }];
  /** after `edit` or `checkFiles` ended with `job.mismatch`: reads everything back and says what is wrong with the card */
  explainMismatch: [order: { layout: ImageLayout }, answer: Damage];
  /** after a failure before the seal: sees to it that the first MiB reads as zeros; false where it does not */
  settleHead: [order: Record<string, never>, answer: { isZero: boolean }];
  sealBody: [order: Record<string, never>, answer: null];
  sealFirstBlock: [order: Record<string, never>, answer: null];
  /** the digest map as it stands */
  map: [order: Record<string, never>, answer: DigestMap];
}

export interface WriteAnswer {
  paddedBytes: number;
  wholeDigest: Uint8Array | null;
}

export interface VerifyAnswer {
  bytes: number;
  /** by the kernel's counter, 512 bytes each; null where it does not count */
  sectorsRead: number | null;
  damage: Damage | null;
}

export interface Session {
  call<Name extends keyof SessionCalls>(name: Name, order: unknown): Promise<SessionCalls[Name][1]>;
  /** makes running calls end with `job.cancelled` before their next piece */
  stop(): void;
}

interface SessionParts {
  medium: Medium;
  feed: ImageFeed | null;
  /** a second reader of a raw image, to say exactly which bytes differ */
  expectedPiece: ((piece: number, length: number) => Promise<Uint8Array>) | null;
  sectorsRead(): number | null;
  memory: PieceMemory;
  port: EventPort;
}

type Handlers = {
  [Name in keyof SessionCalls]: (order: SessionCalls[Name][0]) => Promise<SessionCalls[Name][1]>;
};

/** One card's procedures over an open medium, with what they must remember between each other. */
export function createSession(parts: SessionParts): Session {
  let stopped = false;
  const state = new CardInHand(parts, () => {
    if (stopped) throw new CardwrightError('job.cancelled');
  });
  const handlers: Handlers = {
    readCard: async () => readCard(parts.medium),
    lookAtFiles: async ({ volume, key }) => lookAtFiles(createPlainSource(parts.medium), volume, key),
    holdHead: ({ map }) => state.holdHead(map),
    takeHeadOff: ({ keepBytes }) => state.takeHeadOff(keepBytes),
    probe: (order) => state.probe(order),
    write: (order) => state.write(order),
    addSeed: (order) => state.addSeed(order),
    digestImage: async ({ imageBytes }) => {
      const { map } = await state.readImage({ imageBytes, digestWhole: false, wholePieces: false }, null);
      return { map };
    },
    checkEdit: (order) => checkEdit(state.freshSource(), order),
    foreseeEdit: ({ map, edit }) => state.foreseeEdit(map, edit),
    edit: (order) => state.edit(order),
    verify: ({ map, headIsOff, layout }) => state.verify(map, headIsOff, layout),
    checkFiles: async ({ volume, files }) => ({
      different: checkNodeFiles(state.freshSource(), volume, files),
    }),
    lookForHazards: async ({ volumes }) => ({
      findings: await findCloneHazards(state.freshSource(), { volumes }),
    }),
    explainMismatch: ({ layout }) => state.explainMismatch(layout),
    settleHead: async () => ({ isZero: await settleHead(parts.medium) }),
    sealBody: () => state.seal(sealBody),
    sealFirstBlock: () => state.seal(sealFirstBlock),
    map: async () => state.map(),
  };
  return {
    call: (name, order) => handlers[name](order as never) as Promise<never>,
    stop: () => {
      stopped = true;
    },
  };
}

/** What is remembered from one procedure to the next: the map, the held-back head, the probe's places. */
class CardInHand {
  readonly #parts: SessionParts;
  readonly #checkStop: () => void;
  #map: DigestMap | null = null;
  #head: Uint8Array | null = null;
  #places: ProbePlace[] = [];
  #mismatch: Mismatch | null = null;

  constructor(parts: SessionParts, checkStop: () => void) {
    this.#parts = parts;
    this.#checkStop = checkStop;
  }

  map(): DigestMap {
    if (!this.#map) throw new Error('no digest map yet');
    return this.#map;
  }

  #heldHead(): Uint8Array {
    if (!this.#head) throw new Error('no head is held');
    return this.#head;
  }

  async holdHead(map: DigestMap): Promise<null> {
    this.#map = map;
    const source = createCardSource(this.#parts.medium, map, () => null);
    const head = Uint8Array.from(source.read(0, pieceLength(map, 0)));
    if (!isEqual(sha256(head), pieceDigest(map, 0))) throw new Error('the head changed while it was read');
    this.#head = head;
    return null;
  }

  async takeHeadOff(keepBytes: number): Promise<null> {
    await takeHeadOff(this.#parts.medium, keepBytes);
    return null;
  }

  async probe({ salt, imageBytes, seedStartByte }: SessionCalls['probe'][0]): Promise<{ places: number }> {
    const { medium } = this.#parts;
    const places = chooseProbePlaces(medium.sizeBytes, medium.blockBytes, salt);
    // Only where nothing else will be written, a place can be looked at again.
    const from = seedStartByte === null ? imageBytes : roundUp(imageBytes, mibBytes);
    const to = seedStartByte ?? medium.sizeBytes;
    this.#places = places.filter(({ offset, content }) => offset >= from && offset + content.length <= to);
    await writeProbe(medium, places);
    this.#checkStop();
    await checkProbe(medium, places);
    return { places: places.length };
  }

  async readImage({ imageBytes, digestWhole, wholePieces }: SessionCalls['write'][0], medium: Medium | null) {
    const { feed, memory, port } = this.#parts;
    if (!feed) throw new Error('no image was handed over');
    const { blockBytes } = this.#parts.medium;
    const progress = startProgress(port, medium ? 'write' : 'image', imageBytes);
    try {
      return await writeImage({
        medium,
        feed,
        imageBytes,
        blockBytes,
        roundedTo: wholePieces ? mibBytes : blockBytes,
        digestWhole,
        memory,
        progress,
        checkStop: this.#checkStop,
      });
    } finally {
      progress.end();
      feed.close();
    }
  }

  async write(order: SessionCalls['write'][0]): Promise<WriteAnswer> {
    const { map, head, paddedBytes, wholeDigest } = await this.readImage(order, this.#parts.medium);
    this.#map = map;
    this.#head = head;
    return { paddedBytes, wholeDigest };
  }

  async addSeed(order: SeedOrder): Promise<null> {
    const { medium, memory, port } = this.#parts;
    const progress = startProgress(port, 'personalize', medium.sizeBytes - order.startByte);
    const openSource = (map: DigestMap) => createCardSource(medium, map, () => this.#heldHead());
    const parts = { medium, map: this.map(), openSource, memory, progress, checkStop: this.#checkStop };
    try {
      this.#map = await addSeed(parts, order);
      return null;
    } finally {
      progress.end();
    }
  }

  async edit(order: EditOrder): Promise<EditReport> {
    const { medium } = this.#parts;
    const source = this.freshSource();
    return editBootVolume({ medium, map: this.map(), source, headIsHeld: this.#head !== null }, order);
  }

  async foreseeEdit(map: DigestMap, order: EditOrder): Promise<EditForecast> {
    this.#map = map;
    return foreseeCardEdit(this.freshSource(), order);
  }

  freshSource() {
    return createCardSource(
      this.#parts.medium,
      this.map(),
      () => this.#head,
      (mismatch) => {
        this.#mismatch = mismatch;
      },
    );
  }

  async explainMismatch(layout: ImageLayout): Promise<Damage> {
    const { damage } = await this.verify(null, this.#head !== null, layout);
    if (damage) return damage;
    // It differed when the file-system library read it and does not now.
    if (!this.#mismatch) throw new Error('no mismatch was met');
    const again = await this.#classify([this.#mismatch], this.#head !== null, layout);
    return { ...again, kind: 'unstable-reads' };
  }

  async verify(given: DigestMap | null, headIsOff: boolean, layout: ImageLayout): Promise<VerifyAnswer> {
    const { medium, memory, port, sectorsRead } = this.#parts;
    const map = given ?? this.map();
    this.#map = map;
    if (headIsOff) await this.#settleProbe();
    const before = sectorsRead();
    const progress = startProgress(port, 'verify', coveredBytes(map));
    try {
      const wrong = await verifyCard({
        medium,
        map,
        headIsOff,
        memory,
        progress,
        checkStop: this.#checkStop,
      });
      const after = sectorsRead();
      const damage = wrong.length > 0 ? await this.#classify(wrong, headIsOff, layout) : null;
      const counted = before === null || after === null ? null : after - before;
      return { bytes: coveredBytes(map), sectorsRead: counted, damage };
    } finally {
      progress.end();
    }
  }

  async #classify(wrong: Mismatch[], headIsOff: boolean, layout: ImageLayout): Promise<Damage> {
    const { medium } = this.#parts;
    const map = this.map();
    const expectedPiece = async (piece: number): Promise<Uint8Array | null> => {
      const expected = await this.#parts.expectedPiece?.(piece, pieceLength(map, piece));
      return expected && isEqual(sha256(expected), pieceDigest(map, piece)) ? expected : null;
    };
    return classifyDamage({ medium, map, wrong, headIsOff, layout, expectedPiece });
  }

  /** The places past the image, looked at again after everything was written, then cleared; all before reading back. */
  async #settleProbe(): Promise<void> {
    const { medium } = this.#parts;
    await medium.flush();
    await checkProbe(medium, this.#places, 'again');
    await clearProbe(medium, this.#places);
    this.#places = [];
  }

  async seal(write: (medium: Medium, head: Uint8Array) => Promise<void>): Promise<null> {
    this.#checkStop();
    if (pieceCount(this.map().sizeBytes) > 0) await write(this.#parts.medium, this.#heldHead());
    return null;
  }
}
