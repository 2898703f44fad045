import fs from 'node:fs';
import path from 'node:path';
import { expect, it } from 'vitest';
import type { JobEvent } from '../../src/contract/events.ts';
import type { ImageFacts } from '../../src/contract/image.ts';
import { inspectImage } from '../../src/image/inspect-image.ts';
import { knowRoot } from '../../src/job/station/know-root.ts';
import { orchardPlan } from '../identity/orchard.ts';
import { run, workFolder } from '../image/recipes.ts';
import { makeRootVolume } from '../image/root-volume.ts';
import { describeWith } from '../lab/capabilities.ts';

const folder = workFolder();
const said: JobEvent[] = [];
const job = {
  port: { emit: (event: JobEvent) => void said.push(event) },
  signal: new AbortController().signal,
};
const tree = { 'usr/bin/cloud-init': '#!/usr/bin/python3\n' };
const wifi = { name: 'orchard', key: '0'.repeat(64), country: 'ES', hidden: false };
const plain = orchardPlan();
const seedLabel = (image: ImageFacts): ImageFacts => ({
  ...image,
  bootVolume: { partition: 1, startByte: 0, sizeBytes: 2 ** 20, type: 'fat16', label: 'CIDATA' },
});

describeWith(
  ['program:mkfs.ext4', 'program:xz'],
  'what the root volume says, before a card is touched',
  { timeoutMs: 60_000 },
  () => {
    const pack = (name: string): string => {
      run('xz', ['-0', makeRootVolume(folder, name, tree)]);
      return path.join(folder, `${name}.xz`);
    };
    const look = (file: string) => inspectImage(file, { decode: 'when-needed' });

    it('is known of a raw image at once', async () => {
      const seen = await look(makeRootVolume(folder, 'raw.img', tree));
      expect(seen.root).toMatchObject({ state: 'read', facts: { program: { from: '/usr/bin/cloud-init' } } });
      expect(await knowRoot(seen, plain, job)).toBe(seen);
    });

    it('takes unpacking a packed one as a whole, only where it decides', async () => {
      const seen = await look(pack('packed.img'));
      expect(seen.root).toBeUndefined();
      const known = await knowRoot(seen, plain, job);
      expect(said).toMatchObject([{ type: 'say', topic: 'image' }]);
      expect(known).toMatchObject({ root: { state: 'read', facts: { partition: 0 } } });
      // A volume that NoCloud looks for by itself speaks for itself (cloud-init, "NoCloud") …
      const labelled = seedLabel(seen);
      expect(await knowRoot(labelled, plain, job)).toBe(labelled);
      // … but not for wireless networks, nor for a seed volume beside it.
      const radio = orchardPlan({}, { network: { ...plain.network, wifi } });
      expect(await knowRoot(labelled, radio, job)).toHaveProperty('root.state', 'read');
      const seeded = orchardPlan({}, { seedVolume: 'far-end' });
      expect(await knowRoot(labelled, seeded, job)).toHaveProperty('root.state', 'read');
    });

    it('takes no unpacking where there is no volume to be read', async () => {
      const before = said.length;
      const seen = await look(pack('other.img'));
      const other = seen.volumes.map((volume) => ({ ...volume, type: 'btrfs' }));
      const root = { state: 'unread', why: 'a root volume of type btrfs is not read here' };
      expect(await knowRoot({ ...seen, volumes: other }, plain, job)).toMatchObject({ root });
      expect(await knowRoot({ ...seen, volumes: [] }, plain, job)).toHaveProperty('root.state', 'absent');
      expect(said).toHaveLength(before);
    });

    it('is not taken from another file of that name', async () => {
      const file = pack('changed.img');
      const seen = await look(file);
      fs.copyFileSync(file, `${file}.copy`);
      fs.renameSync(`${file}.copy`, file);
      await expect(knowRoot(seen, plain, job)).rejects.toMatchObject({ code: 'image.changed' });
    });
  },
);
