import { execFileSync } from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import { beforeAll, expect, it } from 'vitest';
import type { ByteSource } from '../../src/contract/blocks.ts';
import { identityFileName } from '../../src/identity/identity-file.ts';
import { examineLayout } from '../../src/image/examine-layout.ts';
import { placeAtFarEnd } from '../../src/image/table/far-end.ts';
import { findTableRoom } from '../../src/image/table/table-room.ts';
import type { SeedOrder } from '../../src/job/engine/add-seed.ts';
import { readCard } from '../../src/job/engine/read-card.ts';
import { createSession } from '../../src/job/engine/session.ts';
import type { Medium } from '../../src/media/medium.ts';
import { createMemoryMedium } from '../../src/media/memory-medium.ts';
import { decodeDigestMap, encodeDigestMap } from '../../src/records/digest-map.ts';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { seedBytes } from '../../src/volume/seed-facts.ts';
import { orderFor } from '../hostile/recorded-card.ts';
import { makeGoldenGpt, noise, overwrite, run, sparseFile, statusOf, workFolder } from '../image/recipes.ts';
import { describeWith } from '../lab/capabilities.ts';
import { feedFromBytes, withPieceMemory } from './make-job-parts.ts';

const folder = workFolder();
const mib = 2 ** 20;
/** Neither a whole number of MiBs nor of 4096-byte blocks. */
const cardBytes = 120 * mib + 3 * 512;

beforeAll(async () => void (await loadFat()));

/** A root volume that is the only one, in an MBR; the image ends inside a MiB. */
function mbrImage(): Buffer {
  const file = sparseFile(path.join(folder, 'mbr.img'), 20 * mib + 1024);
  run('sfdisk', ['-q', file], 'label: dos\nstart=2048, size=38000, type=83\n');
  overwrite(file, 2 * mib, noise(17 * mib));
  return fs.readFileSync(file);
}

function gptImage(): Buffer {
  const file = makeGoldenGpt(path.join(folder, 'gpt.img'));
  overwrite(file, 2 * mib, noise(8 * mib));
  return fs.readFileSync(file);
}

function seedOrder(image: Uint8Array, sizeBytes = cardBytes): SeedOrder {
  const source: ByteSource = { sizeBytes: image.length, read: (at, length) => image.slice(at, at + length) };
  const { table } = examineLayout(source, { withBackup: true, isWhole: true });
  const found = table && findTableRoom(source, table);
  const place = found?.ok ? placeAtFarEnd({ sizeBytes }, image.length, found.room, seedBytes) : null;
  if (!table || !found?.ok || !place) throw new Error('there is no place');
  const partition = found.room.freeNumber ?? 0;
  return { ...place, imageBytes: image.length, table, partition, serial: 7, uniqueGuid: noise(16) };
}

type Written = Awaited<ReturnType<typeof writeCard>>;

/** The engine's whole way from the head's coming off to the seal, over a card in memory full of an older one's bytes. */
async function writeCard(
  image: Buffer,
  afterStep: (name: string, bytes: Uint8Array) => void = () => undefined,
) {
  const memory = createMemoryMedium(cardBytes);
  memory.bytes.fill(0xee);
  return withPieceMemory(async (pieces) => {
    const session = createSession({
      medium: memory,
      feed: feedFromBytes(image),
      expectedPiece: null,
      sectorsRead: () => null,
      memory: pieces,
      port: { emit: () => undefined },
    });
    const seed = seedOrder(image);
    const volume = { startByte: seed.startByte, sizeBytes: seed.sizeBytes, sectorBytes: 512 };
    const imageBytes = image.length;
    const step = async <T>(name: string, work: Promise<T>): Promise<T> => {
      const value = await work;
      afterStep(name, memory.bytes);
      return value;
    };
    await step('takeHeadOff', session.call('takeHeadOff', { keepBytes: imageBytes }));
    const probe = { salt: noise(16, 3), imageBytes, seedStartByte: seed.startByte };
    await step('probe', session.call('probe', probe));
    await step('write', session.call('write', { imageBytes, digestWhole: false, wholePieces: true }));
    await step('addSeed', session.call('addSeed', seed));
    const edit = await step('edit', session.call('edit', orderFor(volume)));
    const verified = await step('verify', session.call('verify', { map: null, headIsOff: true, layout: [] }));
    const checked = await session.call('checkFiles', { volume, files: edit.files });
    await session.call('sealBody', {});
    await session.call('sealFirstBlock', {});
    const map = await session.call('map', {});
    const again = await session.call('verify', { map, headIsOff: false, layout: [] });
    return { memory, seed, edit, verified, checked, map, again };
  });
}

/** What `verify` says of the card with this map, later and in another process. */
async function verifyLater(medium: Medium, map: Written['map']) {
  return withPieceMemory((memory) => {
    const parts = { medium, feed: null, expectedPiece: null, sectorsRead: () => null, memory };
    const session = createSession({ ...parts, port: { emit: () => undefined } });
    return session.call('verify', { map, headIsOff: false, layout: [] });
  });
}

const tools = ['program:sgdisk', 'program:sfdisk', 'program:fsck.fat', 'program:mcopy'] as const;

describeWith(tools, 'a card with a seed volume at its far end', { timeoutMs: 120_000 }, () => {
  it.each(['mbr', 'gpt'] as const)(
    'has a sound %s and a sound volume with the node’s files',
    async (kind) => {
      const image = kind === 'mbr' ? mbrImage() : gptImage();
      const { memory, seed, edit, verified, checked, again } = await writeCard(image);
      expect(verified.damage).toBeNull();
      expect(again.damage).toBeNull();
      expect(checked.different).toEqual([]);
      expect(edit.mechanism.mechanism).toBe('nocloud-label');
      expect(verified.bytes).toBe(Math.ceil(image.length / mib) * mib + cardBytes - seed.startByte);

      const card = path.join(folder, `${kind}.card`);
      fs.writeFileSync(card, memory.bytes);
      expect(statusOf('sfdisk', ['--verify', card])).toBe(0);
      if (kind === 'gpt') expect(run('sgdisk', ['-v', card]).toString()).toContain('No problems found');
      const volume = path.join(folder, `${kind}.fat`);
      fs.writeFileSync(volume, memory.bytes.subarray(seed.startByte, seed.startByte + seed.sizeBytes));
      run('fsck.fat', ['-n', volume]);
      const names = execFileSync('mdir', ['-b', '-i', volume, '::'], {
        env: { ...process.env, MTOOLSRC: '/dev/null' },
      });
      for (const name of ['user-data', 'meta-data', 'network-config', identityFileName]) {
        expect(names.toString()).toContain(`::/${name}`);
      }
      // All else is the image as it was: from behind the table to its end, or to its own second copy.
      const end = kind === 'gpt' ? image.length - 33 * 512 : image.length;
      expect(Buffer.compare(memory.bytes.subarray(34 * 512, end), image.subarray(34 * 512, end))).toBe(0);
    },
  );

  it('is known by its seed volume to whoever reads it later', async () => {
    const { memory, seed } = await writeCard(gptImage());
    const read = readCard(memory);
    expect(read.bootVolume).toMatchObject({
      partition: 3,
      startByte: seed.startByte,
      label: 'CIDATA',
      type: 'fat32',
    });
    expect(read.identity?.node).toBe('orchard-01');
  });

  it('keeps a first MiB of zeros until everything else is proven', async () => {
    const seen: string[] = [];
    await writeCard(gptImage(), (name, bytes) => {
      expect(
        bytes.subarray(0, mib).every((byte) => byte === 0),
        name,
      ).toBe(true);
      seen.push(name);
    });
    expect(seen).toEqual(['takeHeadOff', 'probe', 'write', 'addSeed', 'edit', 'verify']);
  });

  it('leaves nothing of an older card or of the probe behind the image but the gap that was never written', async () => {
    const { memory, seed } = await writeCard(mbrImage());
    const gap = memory.bytes.subarray(21 * mib, seed.startByte);
    const cleared = gap.filter((byte) => byte !== 0xee);
    expect(cleared.every((byte) => byte === 0)).toBe(true);
    // Five of the probe's places, 4096 bytes each, lie in that gap on a card of this size.
    expect(cleared.length % 4096).toBe(0);
    const tail = memory.bytes.subarray(seed.startByte + seed.sizeBytes);
    expect(tail.every((byte) => byte === 0)).toBe(true);
  });

  it('is compared whole from its record: table, volume, and the last sector too', async () => {
    const { memory, seed, map } = await writeCard(gptImage());
    // As the record store keeps it.
    const stored = decodeDigestMap(encodeDigestMap(map), map.sizeBytes);
    expect((await verifyLater(memory, stored)).damage).toBeNull();
    const places = [
      ['protective entry', 446 + 12],
      ['first copy of the table', 512 + 20],
      ['its entries', 1024 + 2 * 128],
      ['the image’s old second copy', 64 * mib - 512],
      ['boot sector of the volume', seed.startByte + 3],
      ['end of the volume', seed.startByte + seed.sizeBytes - 1],
      ['second copy of the table', cardBytes - 1],
    ] as const;
    for (const [what, at] of places) {
      memory.bytes[at] = (memory.bytes[at] ?? 0) ^ 1;
      const { damage } = await verifyLater(memory, stored);
      expect(damage?.ranges.length, what).toBe(1);
      memory.bytes[at] = (memory.bytes[at] ?? 0) ^ 1;
    }
    // What lies between image and volume was never written, and is the node's to grow into.
    memory.bytes[70 * mib] = 0x11;
    expect((await verifyLater(memory, stored)).damage).toBeNull();
  });
});
