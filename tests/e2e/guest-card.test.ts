/**
 * The real tool on removable USB cards under a Debian kernel with udev, with the built-in policy: cards that are
 * written, refused, swapped, pulled and changed. One boot; the cases share its machine and come in this order.
 * Media are compared in their files on this side, not through the guest.
 */
import { execFileSync } from 'node:child_process';
import { readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { beforeAll, expect, it } from 'vitest';
import { laneCount } from '../../src/job/engine/piece-memory.ts';
import type { RecordView } from '../../src/records/record-types.ts';
import { describeWith } from '../lab/capabilities.ts';
import { makeWorkFolder, withCleanup } from '../lab/cleanup.ts';
import { withGuest } from '../lab/guest/guest.ts';
import type { GuestJob } from '../lab/guest/jobs.ts';
import type { GuestDisk } from '../lab/guest/machine.ts';
import { shareGuest } from '../lab/guest/share-guest.ts';
import { oldContent } from '../lab/medium.ts';
import {
  type GuestStation,
  type GuestToolEnd,
  jsonLines,
  type ListedDisk,
  type Listing,
  openGuestStation,
  toolLine,
} from './guest-station.ts';
import type { SmallImageShape } from './small-image.ts';

const mib = 2 ** 20;
const sectorBytes = 512;
const cardBytes = 24 * mib;
/** What can be on its way to a card at one time: a piece of one MiB in each of the worker's lanes. */
const mostOnTheWayBytes = laneCount * mib;

const shape: SmallImageShape = {
  sizeBytes: 16 * mib,
  bootStart: mib + 65_536,
  bootBytes: mib,
  rootStart: 2 * mib + 131_072,
  seed: 7,
};

/** One medium after the other, each with bytes of its own. */
async function makeMedia<Name extends string>(folder: string, names: readonly Name[]) {
  const entries = names.map(async (name, at): Promise<[Name, string]> => {
    const file = join(folder, name);
    await writeFile(file, oldContent(at * cardBytes, cardBytes));
    return [name, file];
  });
  return Object.fromEntries(await Promise.all(entries)) as Record<Name, string>;
}

const mediaNames = [
  ...(['plain', 'locked', 'slot', 'moved', 'swapped', 'pulled', 'changed'] as const),
  ...(['pluggedIn', 'swappedIn', 'replacement', 'changedFor'] as const),
];
type MediumName = (typeof mediaNames)[number];

/** Bytes of those sectors of a newcomer that are no longer as they were. */
async function changedBytes(file: string, name: MediumName): Promise<number> {
  const at = mediaNames.indexOf(name);
  const now = await readFile(file);
  expect(now.length).toBe(cardBytes);
  const before = oldContent(at * cardBytes, cardBytes);
  let sectors = 0;
  for (let from = 0; from < cardBytes; from += sectorBytes) {
    const to = from + sectorBytes;
    if (!now.subarray(from, to).equals(before.subarray(from, to))) sectors++;
  }
  return sectors * sectorBytes;
}

const disksOver = (media: Record<MediumName, string>): GuestDisk[] => [
  { kind: 'usb', id: 'plain', serial: 'PLAIN', port: 1, file: media.plain },
  { kind: 'usb', id: 'locked', serial: 'LOCKED', port: 2, file: media.locked, readOnly: true },
  { kind: 'usb', id: 'empty', serial: 'EMPTY', port: 3, file: null },
  { kind: 'usb', id: 'moved', serial: 'MOVED', port: 4, file: media.moved },
  { kind: 'usb', id: 'swapped', serial: 'SWAPPED', port: 5, file: media.swapped },
  { kind: 'usb', id: 'pulled', serial: 'PULLED', port: 6, file: media.pulled },
  { kind: 'uas', id: 'changed', serial: 'CHANGED', file: media.changed },
  { kind: 'slot', id: 'left', reader: 'bench', file: null },
  { kind: 'slot', id: 'right', reader: 'bench', file: media.slot },
];

const requirements = [
  'guest',
  'program:sfdisk',
  'program:mkfs.vfat',
  'program:sg_start',
  'program:script',
] as const;

describeWith(requirements, 'USB cards in the guest', { timeoutMs: 900_000 }, () => {
  let media: Record<MediumName, string>;
  let station: GuestStation;
  let listing: Listing;
  const guest = shareGuest((body) =>
    withCleanup(async (cleanup) => {
      media = await makeMedia(await makeWorkFolder(cleanup), mediaNames);
      // The old card: one partition with a FAT volume, as a camera leaves it.
      execFileSync('sfdisk', ['--quiet', media.plain], {
        input: 'label: dos\nstart=2048, size=32768, type=c\n',
      });
      execFileSync('mkfs.vfat', ['-n', 'OLD', '--offset', '2048', media.plain, '16384'], { stdio: 'ignore' });
      await withGuest({ disks: disksOver(media) }, body);
    }),
  );

  const inGuest = async (command: string): Promise<string> => {
    const end = await guest().run(command, { timeoutMs: 300_000 });
    expect(end, command + end.stderr).toMatchObject({ status: 0 });
    return end.stdout;
  };
  const disk = (serial: string): ListedDisk => {
    const found = listing.disks.find((one) => one.serial === serial);
    if (!found) throw new Error(`no disk ${serial}: ${JSON.stringify(listing)}`);
    return found;
  };
  const rightSlot = (): ListedDisk => {
    const found = listing.disks.find(({ lun }) => lun === 1);
    if (!found) throw new Error(`no second slot: ${JSON.stringify(listing)}`);
    return found;
  };
  const codeOf = ({ code, node, findings }: ListedDisk): string => {
    if (code === null) throw new Error(`${node} has no code: ${JSON.stringify(findings)}`);
    return code;
  };
  const orchard = (device: string, code: string, ...more: string[]) =>
    station.run(...station.writeWords(device, 'orchard-02', '--confirm', code, ...more));

  /** A last line with its code, whatever came before. */
  const expectEnd = (end: GuestToolEnd, status: number, line: Record<string, unknown>) => {
    expect(end, end.stdout + end.stderr).toMatchObject({ status });
    expect(end.lines.at(-1)).toMatchObject(line);
  };
  const plugAnew = async (id: string, serial: string, port: number, file: string) => {
    await guest().plug({ kind: 'usb', id, serial, port, file });
    const link = `/dev/disk/by-id/usb-QEMU_QEMU_HARDDISK_${serial}-0:0`;
    await inGuest(`until [ -b ${link} ]; do sleep 0.2; done; udevadm settle`);
  };
  /** A write that is under way, slowed down so that whatever is done next falls into it. */
  const startWriting = async (id: string, serial: string): Promise<GuestJob> => {
    await guest().qmp.execute('block_set_io_throttle', {
      device: `${id}-medium`,
      ...{ bps: 0, bps_rd: 0, bps_wr: 2 * mib, iops: 0, iops_rd: 0, iops_wr: 0 },
    });
    const one = disk(serial);
    const job = await station.start(...station.writeWords(one.node, 'orchard-02', '--confirm', codeOf(one)));
    await job.waitForOutput(/"type":"progress","phase":"write"/, 300_000);
    return job;
  };
  const expectLost = async (job: GuestJob, code: string): Promise<RecordView> => {
    const { status, stdout, stderr } = await job.result;
    expectEnd({ status, stdout, stderr, lines: jsonLines(stdout) }, 7, {
      type: 'not-done',
      code,
      card: 'unknown',
    });
    const [record] = await station.records();
    expect(record).toMatchObject({ state: 'failed', code, cardState: 'unknown', phase: 'write' });
    return record as RecordView;
  };
  /** The image, but for the boot volume, whose files are the node's. */
  const expectImageOn = async (file: string) => {
    const stored = await readFile(file);
    const { imageBytes } = station;
    const bootEnd = shape.bootStart + shape.bootBytes;
    for (const [from, to] of [
      [0, shape.bootStart],
      [bootEnd, imageBytes.length],
    ] as const) {
      expect(stored.subarray(from, to).equals(imageBytes.subarray(from, to)), `${from} to ${to}`).toBe(true);
    }
  };

  beforeAll(async () => {
    station = await openGuestStation(guest(), shape);
    await inGuest(
      'mkdir -p /media/old && mount -t vfat /dev/disk/by-id/usb-QEMU_QEMU_HARDDISK_PLAIN-0:0-part1 /media/old',
    );
    listing = await station.devices();
  }, 300_000);

  it('are listed with their codes; a locked one is refused, empty slots are named', () => {
    const found = listing.disks.map(({ serial, lun, verdict, code, findings }) => [
      `${serial} ${lun}`,
      `${verdict} ${code === null ? 'no' : 'code'}`,
      ...findings.map((one) => one.code),
    ]);
    expect(found.sort()).toEqual([
      ['CHANGED 0', 'allowed code'],
      ['LOCKED 0', 'refused no', 'guard.read-only'],
      ['MOVED 0', 'allowed code'],
      ['PLAIN 0', 'needs approval code', 'guard.mounted'],
      ['PULLED 0', 'allowed code'],
      ['SWAPPED 0', 'allowed code'],
      ['bench 1', 'allowed code'],
    ]);
    const empty = listing.emptyReaders.map(({ port, lun }) => `${port}/${lun}`);
    expect(empty.sort()).toEqual([`${rightSlot().port}/0`, 'usb:2-3/0']);
  });

  it('that are locked, absent or mounted are refused with the reason, and not written', async () => {
    const oneOf =
      '/sys/block/sd*; do case $(readlink -f $disk) in */2-3/*) echo /dev/${disk##*/};; esac; done';
    const emptyNode = (await inGuest(`for disk in ${oneOf}`)).trim();
    const locked = [expect.objectContaining({ code: 'guard.read-only' })];
    const [byLock, byPort, byNode, bySlot] = await Promise.all(
      [disk('LOCKED').node, 'usb:2-3', emptyNode, `${rightSlot().port}/0`].map((name) =>
        orchard(name, 'AAAA'),
      ),
    );
    expectEnd(byLock as GuestToolEnd, 3, { code: 'job.disk-refused', card: 'untouched', findings: locked });
    expectEnd(byPort as GuestToolEnd, 3, { code: 'devices.port-empty' });
    expectEnd(byNode as GuestToolEnd, 3, { code: 'devices.not-listed' });
    expectEnd(bySlot as GuestToolEnd, 3, { code: 'devices.port-empty' });
    expect(await changedBytes(media.locked, 'locked')).toBe(0);

    const mounted = await orchard('usb:2-1', codeOf(disk('PLAIN')));
    expectEnd(mounted, 3, { code: 'job.needs-unmount', facts: { mounts: '/media/old' } });
    expect(await inGuest('findmnt --noheadings --output FSTYPE /media/old')).toBe('vfat\n');
  });

  it('replaced under one name while the question is on the screen are refused, in one reader also later', async () => {
    const { node, ...approved } = disk('SWAPPED');
    const code = codeOf({ node, ...approved });
    // `script` gives the tool a terminal; what is typed there comes through a pipe that stays open.
    await writeFile(join(guest().outFolder, 'ask'), toolLine(...station.writeWords(node, 'orchard-02')));
    const asked = await guest().start(
      `mkfifo /run/typed; sleep 3600 > /run/typed & typist=$!
       script --quiet --return --flush --command 'sh /out/ask' /dev/null < /run/typed; status=$?
       kill $typist; exit $status`,
      { timeoutMs: 600_000 },
    );
    await asked.waitForOutput(/to go on/, 300_000);
    await guest().unplug('swapped');
    await plugAnew('swapped', 'SWAPPED', 5, media.pluggedIn);
    const link = '/dev/disk/by-id/usb-QEMU_QEMU_HARDDISK_SWAPPED-0:0';
    expect(await inGuest(`realpath ${link}; echo ${code} > /run/typed`)).toBe(`${node}\n`);
    const end = await asked.result;
    expect(end, end.stdout + end.stderr).toMatchObject({
      status: 7,
      stdout: expect.stringContaining('job.identity-changed'),
    });
    expect(end.stdout).toContain('nothing was written');

    await guest().changeMedium('swapped', media.swappedIn);
    expectEnd(await orchard(node, code), 9, { code: 'guard.approval-wrong', card: 'untouched' });
    for (const name of ['swapped', 'pluggedIn', 'swappedIn'] as const) {
      expect(await changedBytes(media[name], name), name).toBe(0);
    }
  });

  it('are written with a plan and a node: unmounted, verified, ejected, and the kernel reads the files', async () => {
    const written = await orchard('usb:2-1', codeOf(disk('PLAIN')), '--unmount');
    const replaced = ['user-data', 'network-config', 'meta-data'];
    const files = [...replaced.map((name) => `cardwright.image/${name}`), ...replaced, 'cardwright.node'];
    expectEnd(written, 0, { type: 'done', card: 'done', node: 'orchard-02', release: 'ejected', files });
    expect(written.lines.at(-1)?.sectorsRead).toBeGreaterThanOrEqual(shape.sizeBytes / sectorBytes);
    await inGuest('! findmnt /media/old');
    await expectImageOn(media.plain);
    expect((await station.records())[0]).toMatchObject({
      state: 'done',
      cardState: 'done',
      node: 'orchard-02',
    });

    // Pushed in again as a person would.
    await guest().changeMedium('plain', media.plain);
    const { node } = disk('PLAIN');
    const read = await inGuest(
      `until dd if=${node} of=/dev/null count=1 2> /dev/null; do sleep 0.2; done
       blockdev --rereadpt ${node}; udevadm settle
       mkdir -p /media/boot && mount -t vfat -o ro ${node}1 /media/boot
       cd /media/boot && cat ${files.join(' ')}; cd / && umount /media/boot`,
    );
    for (const part of ['#cloud-config', 'hostname: "orchard-02"', '192.0.2.12/24', 'timezone: Etc/UTC']) {
      expect(read).toContain(part);
    }
  });

  it('are written in a slot beside an empty one', async () => {
    const slot = rightSlot();
    expectEnd(await orchard(`${slot.port}/1`, codeOf(slot)), 0, { type: 'done', identity: { lun: 1 } });
    await expectImageOn(media.slot);
  });

  it('pulled while they are written are lost, and the record says so', async () => {
    const job = await startWriting('pulled', 'PULLED');
    await guest().unplug('pulled');
    await expectLost(job, 'media.gone');
  });

  it('put into another port have another code there, and the old one no longer holds', async () => {
    const before = codeOf(disk('MOVED'));
    await guest().unplug('plain');
    await guest().unplug('moved');
    await plugAnew('moved', 'MOVED', 1, media.moved);
    await plugAnew('pulled', 'PULLED', 6, media.pulled);
    expectEnd(await orchard('usb:2-1', before), 9, { code: 'guard.approval-wrong', card: 'untouched' });
    expect(await changedBytes(media.moved, 'moved')).toBe(0);
    listing = await station.devices();
    expect(disk('MOVED')).toMatchObject({ port: 'usb:2-1', verdict: 'allowed' });
    expect(codeOf(disk('MOVED'))).not.toBe(before);
  });

  it('pulled while they are written and replaced at once: not one byte reaches the newcomer', async () => {
    const job = await startWriting('pulled', 'PULLED');
    await guest().unplug('pulled');
    await guest().plug({ kind: 'usb', id: 'pulled', serial: 'PULLED', port: 6, file: media.replacement });
    await expectLost(job, 'media.gone');
    await inGuest('until [ -b /dev/disk/by-id/usb-QEMU_QEMU_HARDDISK_PULLED-0:0 ]; do sleep 0.2; done; sync');
    expect(await changedBytes(media.replacement, 'replacement')).toBe(0);
  });

  it('changed in the reader under the claim while somebody keeps opening it: no more than was on its way', async () => {
    const { node, name } = disk('CHANGED');
    // Few and small requests at a time, so that others still wait in the kernel when the card is changed.
    await inGuest(`cd /sys/block/${name}/queue && echo 64 > max_sectors_kb && echo 4 > nr_requests`);
    const job = await startWriting('changed', 'CHANGED');
    const opener = await guest().start(
      `echo opening; while :; do dd if=${node} of=/dev/null count=1 2> /dev/null; done`,
      { timeoutMs: 900_000 },
    );
    await opener.waitForOutput(/opening/);
    await guest().changeMedium('changed', media.changedFor);
    const { findings } = await expectLost(job, 'media.changed');
    await opener.signal('KILL');
    const sent = findings.find(({ code }) => code === 'media.sent-meanwhile')?.facts.bytes;
    const arrived = await changedBytes(media.changedFor, 'changedFor');
    expect(sent).toBeLessThanOrEqual(mostOnTheWayBytes);
    expect(sent).toBeGreaterThanOrEqual(Math.max(arrived, 1));
  });
});
