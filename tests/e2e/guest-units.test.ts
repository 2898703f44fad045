/**
 * The daemon as a service: the units that the tool lays down, under systemd as the first process of a machine with card
 * readers, used by people of each group. The program comes from its own Debian package.
 */
import { execFileSync } from 'node:child_process';
import { mkdir, readdir, readFile, truncate, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { makeRehearsalPlan } from '../../src/rehearsal/make-plan.ts';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { describeWith } from '../lab/capabilities.ts';
import { makeWorkFolder, withCleanup } from '../lab/cleanup.ts';
import { type Guest, withGuest } from '../lab/guest/guest.ts';
import { shellQuote } from '../lab/guest/jobs.ts';
import { jsonLines, type ListedDisk } from './guest-station.ts';
import { smallImage, usualShape, writeSmallImage } from './small-image.ts';

const mib = 2 ** 20;
const cardBytes = 24 * mib;
const home = '/usr/lib/cardwright';
const orchard = '/srv/orchard';
const slow = { bps: 0, bps_rd: 0, bps_wr: mib, iops: 0, iops_rd: 0, iops_wr: 0 };
const free = { ...slow, bps_wr: 0 };

/** A line on stderr for each step: on a busy machine the whole takes minutes. */
function tell(guest: Guest, what: string): void {
  const seconds = (performance.now() / 1000).toFixed(0);
  process.stderr.write(`units: ${seconds} s, booted in ${guest.bootSeconds.toFixed(0)} s: ${what}\n`);
}

/** Program, image, plan and people; then the units, and their sockets. */
async function moveIn(guest: Guest): Promise<void> {
  await loadFat();
  execFileSync(process.execPath, ['src/daemon/install/make-package.js', guest.outFolder], {
    stdio: 'ignore',
  });
  const [deb = ''] = (await readdir(guest.outFolder)).filter((name) => name.endsWith('.deb'));
  const made = join(guest.outFolder, 'orchard');
  await mkdir(made);
  writeSmallImage(join(made, 'node-os.img'), usualShape);
  makeRehearsalPlan(made, 4, 'node-os.img');
  await inGuest(guest, [
    `dpkg-deb -x /out/${deb} /`,
    `cp -r /out/orchard ${orchard} && chmod -R a+rX ${orchard}`,
    `node ${home}/bin/cardwright.js station --install`,
    'for who in grower:cardwright-write looker:cardwright-look stranger:nogroup; do',
    '  useradd --create-home --groups "${who#*:}" "${who%:*}"',
    'done',
    `systemctl start cardwright-{station,look,write,administer}.socket`,
  ]);
}

async function inGuest(guest: Guest, lines: readonly string[]): Promise<string> {
  const end = await guest.run(lines.join('\n'), { timeoutMs: 300_000 });
  expect(end.status, `${lines.join('\n')}\n${end.stdout}${end.stderr}`).toBe(0);
  return end.stdout;
}

const toolAs = (user: string, ...words: string[]): string =>
  [
    ...['setpriv', '--reuid', user, '--regid', user, '--init-groups', 'env', `HOME=/home/${user}`],
    ...['node', `${home}/bin/cardwright.js`, ...words, '--json'],
  ]
    .map(shellQuote)
    .join(' ');

async function runAs(guest: Guest, user: string, ...words: string[]) {
  const end = await guest.run(toolAs(user, ...words), { timeoutMs: 300_000 });
  return { ...end, lines: jsonLines(end.stdout) };
}

async function diskOf(guest: Guest, serial: string): Promise<ListedDisk> {
  const { lines, stdout, stderr } = await runAs(guest, 'grower', 'devices');
  const disks = (lines.at(-1)?.disks ?? []) as ListedDisk[];
  const disk = disks.find((one) => one.serial === serial);
  if (!disk) throw new Error(`no ${serial}: ${stdout}${stderr}`);
  return disk;
}

const writeWords = ({ node, code }: ListedDisk, name: string, ...more: string[]) => [
  ...['write', `${orchard}/node-os.img`, node, '--plan', `${orchard}/orchard.yaml`, '--node', name],
  ...['--confirm', code ?? 'none', ...more],
];

describeWith(
  ['guest', 'program:dpkg-deb', 'program:mkfs.vfat'],
  'the units in the guest',
  { timeoutMs: 1_500_000 },
  () => {
    it('let people work without being root, each by their group; and say what was cut off', () =>
      withCleanup(async (cleanup) => {
        const folder = await makeWorkFolder(cleanup);
        const [plain, mounted, next] = [join(folder, 'plain'), join(folder, 'mounted'), join(folder, 'next')];
        for (const file of [plain, mounted, next]) {
          await writeFile(file, '');
          await truncate(file, cardBytes);
        }
        execFileSync('mkfs.vfat', ['-n', 'OLD', mounted], { stdio: 'ignore' });
        const disks = [
          { kind: 'usb', id: 'plain', serial: 'PLAIN', port: 1, file: plain },
          { kind: 'usb', id: 'mounted', serial: 'MOUNTED', port: 2, file: mounted },
        ] as const;
        await withGuest({ disks, isManaged: true, bootTimeoutMs: 240_000 }, async (guest) => {
          tell(guest, 'it is up');
          await moveIn(guest);
          tell(guest, 'the units are laid down');
          // The first knock starts both; each has said itself that it is ready.
          const card = await diskOf(guest, 'PLAIN');
          const units = 'cardwright-front.service cardwright-station.service';
          expect(await inGuest(guest, [`systemctl is-active ${units}`])).toBe('active\nactive\n');
          await expectLowered(guest);
          tell(guest, 'both services run');

          const written = await runAs(guest, 'grower', ...writeWords(card, 'orchard-01'));
          expect(written.status, written.stdout + written.stderr).toBe(0);
          expect(written.lines.at(-1)).toMatchObject({ type: 'done', card: 'done', node: 'orchard-01' });

          tell(guest, 'the first card is done');
          const looked = await runAs(guest, 'looker', ...writeWords(card, 'orchard-02'));
          expect(looked.lines.at(-1)).toMatchObject({ code: 'daemon.not-allowed' });
          const strange = await runAs(guest, 'stranger', ...writeWords(card, 'orchard-02'));
          expect(strange.lines.at(-1)).toMatchObject({ code: 'usage.needs-root' });

          // Mounted by root in the machine's own namespace: the station's umount is seen there.
          const other = await diskOf(guest, 'MOUNTED');
          await inGuest(guest, ['mkdir -p /media/card', `mount ${other.node} /media/card`]);
          const asked = await diskOf(guest, 'MOUNTED');
          const over = await runAs(guest, 'grower', ...writeWords(asked, 'orchard-02', '--unmount'));
          expect(over.status, over.stdout + over.stderr).toBe(0);
          expect((await guest.run('findmnt /media/card')).status).toBe(1);

          tell(guest, 'the second card was unmounted and is done');
          // The first was ejected when it was done.
          await guest.changeMedium('plain', next);
          await expectCutOff(guest);
          tell(guest, 'the third card was cut off');
          expect(await inGuest(guest, [`node ${home}/bin/cardwright.js station --remove --json`])).toContain(
            '"removed"',
          );
          expect((await guest.run('ls /etc/systemd/system/ | grep cardwright')).status).toBe(1);
        });
        const stored = (await readFile(mounted)).subarray(usualShape.rootStart, usualShape.sizeBytes);
        expect(stored.equals(smallImage(usualShape).subarray(usualShape.rootStart))).toBe(true);
      }));
  },
);

/** proc(5), of both parts: what the units promise. */
async function expectLowered(guest: Guest): Promise<void> {
  const fields = 'Uid|CapEff|NoNewPrivs|Seccomp';
  const look = (unit: string) => [
    `pid=$(systemctl show -P MainPID ${unit})`,
    `grep -E '^(${fields}):' /proc/$pid/status`,
    'readlink /proc/$pid/ns/mnt',
  ];
  const ownNamespace = (await inGuest(guest, ['readlink /proc/1/ns/mnt'])).trim();
  const front = await inGuest(guest, look('cardwright-front.service'));
  expect(front).not.toMatch(/^Uid:\s+0\b/m);
  expect(front).toMatch(/^CapEff:\s+0{16}$/m);
  expect(front).not.toContain(ownNamespace);
  const owner = await inGuest(guest, look('cardwright-station.service'));
  expect(owner).toContain(ownNamespace);
  for (const part of [front, owner]) {
    expect(part).toMatch(/^NoNewPrivs:\s+1$/m);
    // 2: a filter of system calls.
    expect(part).toMatch(/^Seccomp:\s+2$/m);
  }
}

/** The station is killed while it writes: the next knock starts it again, and it says what became of the card. */
async function expectCutOff(guest: Guest): Promise<void> {
  const throttle = (to: typeof slow) =>
    guest.qmp.execute('block_set_io_throttle', { device: 'plain-medium', ...to });
  const card = await diskOf(guest, 'PLAIN');
  await throttle(slow);
  const job = await guest.start(toolAs('grower', ...writeWords(card, 'orchard-03')), { timeoutMs: 300_000 });
  await job.waitForOutput(/"phase":"write","state":"begin"/, 300_000);
  await inGuest(guest, ['systemctl kill -s KILL cardwright-station.service']);
  await throttle(free);
  const end = await job.result;
  expect(end.status, end.stdout + end.stderr).not.toBe(0);
  const { lines } = await runAs(guest, 'grower', 'jobs');
  expect(lines.at(-1)).toMatchObject({
    jobs: [],
    interrupted: [{ node: 'orchard-03', state: 'interrupted', cardState: 'unbootable' }],
  });
}
