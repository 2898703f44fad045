/**
 * The guest: what its disks look like from inside, and what happens when they are pulled, plugged and changed.
 * Two boots in all, since each takes its time; the cases of the first share one guest.
 */
import { readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { describeWith } from '../capabilities.ts';
import { makeWorkFolder, withCleanup } from '../cleanup.ts';
import { oldContent } from '../medium.ts';
import { runGuest, withGuest } from './guest.ts';
import { deviceOptions, driveOption, nameDisks } from './machine.ts';
import { makeRootDisk } from './root-disk.ts';
import { shareGuest } from './share-guest.ts';

const sizeBytes = 16 << 20;

/** Prints the disks of the machine by what the kernel says of them; runs under the guest's node. */
const listDisks = `
  const { readdirSync, readFileSync, realpathSync, existsSync } = require('node:fs');
  const disks = {};
  for (const name of readdirSync('/sys/block').filter((name) => !/^(loop|dm-|zram)/.test(name))) {
    const read = (path) => (existsSync('/sys/block/' + name + '/' + path) ? readFileSync('/sys/block/' + name + '/' + path, 'utf8').trim() : null);
    disks[name] = {
      path: realpathSync('/sys/block/' + name), removable: read('removable'), sectors: Number(read('size')),
      blockBytes: Number(read('queue/logical_block_size')), cid: read('device/cid'), diskseq: Number(read('diskseq')),
    };
  }
  const byId = readdirSync('/dev/disk/by-id').map((link) => link + ' ' + realpathSync('/dev/disk/by-id/' + link).slice(5));
  console.log(JSON.stringify({ version: process.version, disks, byId }));
`;

interface Listing {
  version: string;
  disks: Record<
    string,
    {
      path: string;
      removable: string;
      sectors: number;
      blockBytes: number;
      cid: string | null;
      diskseq: number;
    }
  >;
  byId: string[];
}

describe("a machine's arguments", () => {
  it('name every disk once and double the commas of its file', () => {
    expect(
      nameDisks([
        { kind: 'usb', file: 'a' },
        { kind: 'mmc', file: null },
      ]).map(({ id }) => id),
    ).toEqual(['disk0', 'disk1']);
    expect(() =>
      nameDisks([
        { kind: 'usb', file: 'a', id: 'x' },
        { kind: 'usb', file: 'b', id: 'x' },
      ]),
    ).toThrow();
    expect(driveOption({ kind: 'usb', file: '/a,b', id: 'x' })).toContain('file=/a,,b,');
    expect(driveOption({ kind: 'mmc', file: null, id: 'x' })).toBe('if=none,id=x-medium');
    expect(deviceOptions({ kind: 'usb', file: 'a', id: 'x', serial: 'S1' })[0]).toContain(
      'removable=on,serial=S1',
    );
  });
});

describeWith(['guest'], 'a guest with a disk of every kind', { timeoutMs: 120_000 }, () => {
  const files: string[] = [];
  const guest = shareGuest((body) =>
    withCleanup(async (cleanup) => {
      const folder = await makeWorkFolder(cleanup);
      for (const at of [0, 1, 2, 3, 4, 5]) {
        files.push(join(folder, `card${at}`));
        await writeFile(files[at] as string, oldContent(at * sizeBytes, sizeBytes));
      }
      const [usb, mmc, nvme, sata] = files as [string, string, string, string];
      await withGuest(
        {
          disks: [
            { kind: 'usb', file: usb, id: 'card', serial: 'ORCHARD01' },
            { kind: 'usbfixed', file: files[4] as string, id: 'fixed', sectorBytes: 4096 },
            { kind: 'mmc', file: mmc, id: 'sd' },
            { kind: 'mmc', file: null, id: 'slot' },
            { kind: 'nvme', file: nvme, id: 'inner' },
            { kind: 'sata', file: sata, id: 'spinning' },
            { kind: 'slot', reader: 'bench', file: null, id: 'left' },
            { kind: 'slot', reader: 'bench', file: files[5] as string, id: 'right' },
          ],
        },
        body,
      );
    }),
  );
  const list = async (): Promise<Listing> => {
    await writeFile(join(guest().outFolder, 'list.cjs'), listDisks);
    const { stdout, stderr } = await guest().run('node /out/list.cjs');
    expect(stderr).toBe('');
    return JSON.parse(stdout);
  };
  const disksOf = (listing: Listing, kind: RegExp) =>
    Object.entries(listing.disks).filter(([, { path }]) => kind.test(path));
  /** the disk whose by-id link carries this serial number */
  const bySerial = ({ byId }: Listing, serial: string) =>
    byId.find((link) => link.includes(serial))?.split(' ')[1] ?? 'none';
  const readStart = (node: string) =>
    guest().run(`dd if=${node} iflag=direct bs=4096 count=1 status=none | sha256sum`);

  it('runs node, which sees them with their serial numbers, CID, block sizes and removable flags', async () => {
    const listing = await list();
    expect(listing.version).toBe(process.version);
    const card = listing.disks[bySerial(listing, 'ORCHARD01')];
    const fixed = listing.disks[bySerial(listing, '_fixed-')];
    expect(card).toMatchObject({ removable: '1', blockBytes: 512, sectors: sizeBytes / 512 });
    expect(fixed).toMatchObject({ removable: '0', blockBytes: 4096, sectors: sizeBytes / 512 });
    expect([card?.path, fixed?.path]).toEqual(Array(2).fill(expect.stringMatching(/\/usb\d/)));

    const cards = disksOf(listing, /\/mmc_host\//);
    expect(cards.map(([disk]) => disk)).toEqual([expect.stringMatching(/^mmcblk\d$/)]);
    // SD Physical Layer Simplified Specification 5.2: the CID register has 128 bits.
    expect(cards[0]?.[1].cid).toMatch(/^[0-9a-f]{32}$/);

    expect(disksOf(listing, /\/nvme\//).map(([disk]) => disk)).toEqual(['nvme0n1']);
    expect(disksOf(listing, /\/ata\d/)).toHaveLength(1);
    expect(listing.byId.some((link) => link.startsWith('ata-QEMU_HARDDISK_spinning '))).toBe(true);
  });

  it('writes through to the file of the disk', async () => {
    const fresh = Buffer.alloc(4096, 'orchard');
    await writeFile(join(guest().outFolder, 'fresh'), fresh);
    const node = '/dev/disk/by-id/usb-QEMU_QEMU_HARDDISK_ORCHARD01-0:0';
    const write = await guest().run(`dd if=/out/fresh of=${node} bs=4096 seek=1 oflag=direct conv=fsync`);
    expect(write).toMatchObject({ status: 0 });
    const stored = await readFile(files[0] as string);
    expect(stored.subarray(4096, 8192).equals(fresh)).toBe(true);
    expect(stored.subarray(0, 4096).equals(oldContent(0, 4096))).toBe(true);
  });

  it('lets a USB card be pulled while a command reads it, and plugged in again as another', async () => {
    const name = bySerial(await list(), 'ORCHARD01');
    const job = await guest().start(
      `echo reading; for n in {1..3000}; do dd if=/dev/${name} iflag=direct of=/dev/null bs=1M count=16 status=none || exit 42; done`,
    );
    await job.waitForOutput(/reading/);
    await guest().unplug('card');
    // dd meets an error, or no device any more; either way the loop ends at once.
    expect(await job.result).toMatchObject({
      status: 42,
      stderr: expect.stringMatching(/error|No such|failed/),
    });
    expect((await list()).disks).not.toHaveProperty(name);

    await guest().plug({ kind: 'usb', file: files[5] as string, id: 'card', serial: 'ORCHARD02' });
    await guest().run('until ls /dev/disk/by-id | grep -q ORCHARD02; do sleep 0.2; done', {
      timeoutMs: 30_000,
    });
    const { byId } = await list();
    expect(byId.some((link) => link.includes('ORCHARD01'))).toBe(false);
  });

  it('changes the card in a USB reader: the node stays, diskseq and content do not', async () => {
    const node = '/dev/disk/by-id/usb-QEMU_QEMU_HARDDISK_ORCHARD02-0:0';
    const seq = async () =>
      Number((await guest().run(`cat /sys/block/$(basename $(realpath ${node}))/diskseq`)).stdout);
    const before = { seq: await seq(), start: (await readStart(node)).stdout };
    await guest().changeMedium('card', files[0] as string);
    const after = { start: (await readStart(node)).stdout, seq: await seq() };
    expect(after.seq).toBeGreaterThan(before.seq);
    expect(after.start).not.toBe(before.start);
    await guest().removeMedium('card');
    expect((await readStart(node)).stdout).not.toBe(after.start);
    const { stdout: size } = await guest().run(`cat /sys/block/$(basename $(realpath ${node}))/size`);
    expect(size.trim()).toBe('0');
  });

  it('has a reader with two slots, one of them empty until a card is put in', async () => {
    // SCSI address host:channel:target:LUN; of all disks here only the right slot has LUN 1.
    const slotSizes = async () => {
      const disks = Object.values((await list()).disks);
      const right = disks.find(({ path }) => /:0:0:1\/block/.test(path));
      const host = right?.path.split('/target')[0] ?? 'none';
      const left = disks.find(({ path }) => path.startsWith(host) && /:0:0:0\/block/.test(path));
      return [left, right].map((disk) => (disk?.sectors ?? -1) * 512);
    };
    expect(await slotSizes()).toEqual([0, sizeBytes]);
    await guest().changeMedium('left', files[3] as string);
    // The kernel looks every two seconds (block.events_dfl_poll_msecs).
    await guest().run('sleep 4');
    expect(await slotSizes()).toEqual([sizeBytes, sizeBytes]);
  });

  it('takes SD cards out of and into their slots', async () => {
    const count = (wanted: number) =>
      guest().run(`until [ $(ls -d /sys/block/mmcblk? | wc -l) = ${wanted} ]; do sleep 0.2; done`, {
        timeoutMs: 30_000,
      });
    await guest().changeMedium('slot', files[5] as string);
    expect((await count(2)).status).toBe(0);
    await guest().removeMedium('sd');
    await guest().removeMedium('slot');
    expect(
      (await guest().run('until ! ls -d /sys/block/mmcblk? ; do sleep 0.2; done', { timeoutMs: 30_000 }))
        .status,
    ).toBe(0);
  });

  it('has device-mapper, md, btrfs and vfat in its kernel, and a signal reaches a command', async () => {
    const modules = await guest().run(
      'modprobe -a dm_mod dm_crypt md_mod btrfs vfat dummy_hcd && cat /proc/filesystems',
    );
    expect(modules).toMatchObject({ status: 0, stdout: expect.stringMatching(/vfat[\s\S]*btrfs/) });
    const job = await guest().start('trap "echo stopped; exit 7" TERM; echo up; while :; do sleep 0.1; done');
    await job.waitForOutput(/up/);
    await job.signal('TERM');
    expect(await job.result).toMatchObject({ status: 7, stdout: 'up\nstopped\n' });
  });
});

describeWith(
  ['guest', 'program:sfdisk', 'program:mke2fs'],
  'a guest that runs from an SD card',
  { timeoutMs: 180_000 },
  () => {
    it('has / on the card, and node all the same', async () => {
      await withCleanup(async (cleanup) => {
        const file = join(await makeWorkFolder(cleanup), 'station');
        await makeRootDisk(file);
        const { stdout } = await runGuest({
          disks: [{ kind: 'mmc', file }],
          rootNode: '/dev/mmcblk0p1',
          command: 'findmnt --noheadings --output SOURCE,FSTYPE --target /; node -p process.platform',
        });
        expect(stdout.replace(/ +/g, ' ')).toBe('/dev/mmcblk0p1 ext4\nlinux\n');
      });
    });
  },
);
