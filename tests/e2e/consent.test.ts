import { execFileSync, spawn } from 'node:child_process';
import * as fs from 'node:fs';
import { expect, it } from 'vitest';
import { describeWith } from '../lab/capabilities.ts';
import { type LoopDisk, withLoopDisk } from '../lab/loop-disk.ts';
import { makeOrchard } from './make-orchard.ts';
import { launcher, type TestStation, withStation } from './run-tool.ts';

const mib = 2 ** 20;

const onLoop = (body: (station: TestStation, disk: LoopDisk) => Promise<void>) =>
  withLoopDisk({ sizeBytes: 64 * mib, backing: 'tmpfs' }, (disk) =>
    withStation([disk.node], makeOrchard, (station) => body(station, disk)),
  );

/** Mounts the whole disk below a folder of our own; unmounts it again unless the body did. */
async function withMount(
  disk: LoopDisk,
  below: string,
  body: (mount: string) => Promise<void>,
): Promise<void> {
  execFileSync('mkfs.ext2', ['-q', '-L', 'PHOTOS', disk.node]);
  const mount = fs.mkdtempSync(`${below}/cardwright-test-`);
  execFileSync('mount', [disk.node, mount]);
  try {
    await body(mount);
  } finally {
    if (fs.readFileSync('/proc/self/mountinfo', 'utf8').includes(mount)) execFileSync('umount', [mount]);
    fs.rmdirSync(mount);
  }
}

/** Writes at a real terminal (util-linux, script(1)) and presses these keys at the question for the code. */
function answerAtTerminal(station: TestStation, disk: LoopDisk, keys: string) {
  const tool = [process.execPath, launcher, 'write', station.image, disk.node, ...station.common];
  const line = `exec ${tool.filter((word) => word !== '--json').join(' ')}`;
  const child = spawn('script', ['-qec', line, '/dev/null'], {
    env: { ...process.env, NO_COLOR: '1' },
    stdio: ['pipe', 'pipe', 'inherit'],
  });
  let screen = '';
  child.stdout.setEncoding('utf8').on('data', (more: string) => {
    const isAsked = (text: string) => text.includes('anything else to stop');
    if (!isAsked(screen) && isAsked(screen + more)) child.stdin.write(keys);
    screen += more;
  });
  return new Promise<{ status: number | null; screen: string }>((resolve) =>
    child.once('close', (status) => resolve({ status, screen: screen.replace(/\s+/g, ' ') })),
  );
}

describeWith(
  ['loop', 'tmpfs-direct-io', 'program:mkfs.ext2', 'program:mkfs.btrfs', 'program:addpart', 'program:script'],
  'consent',
  { timeoutMs: 90_000 },
  () => {
    it.each([
      ['Ctrl-C', '\u0003', 130],
      ['the end of the input', '\u0004', 9],
      ['another code', 'AAAA\n', 9],
    ])('%s at the question for the code leaves the card as it is, and free', (_keys, keys, status) =>
      onLoop(async (station, disk) => {
        const before = await disk.sha256OfMedium();
        const end = await answerAtTerminal(station, disk, keys);
        expect(end.status, end.screen).toBe(status);
        expect(end.screen).toContain('nothing was written to the card');
        expect(await disk.sha256OfMedium()).toBe(before);
        const again = await station.run(
          'write',
          station.image,
          disk.node,
          '--confirm',
          await station.codeOf(disk.node),
        );
        expect(again.status, again.stdout + again.stderr).toBe(0);
      }),
    );

    it('a mounted card is refused without --unmount, and unmounted and written with it', () =>
      onLoop((station, disk) =>
        withMount(disk, '/mnt', async (mount) => {
          const code = await station.codeOf(disk.node);
          const before = await disk.sha256OfMedium();
          const refused = await station.run('write', station.image, disk.node, '--confirm', code);
          expect(refused.status, refused.stdout).toBe(3);
          expect(refused.lines.at(-1)).toMatchObject({ code: 'job.needs-unmount', facts: { mounts: mount } });
          expect(await disk.sha256OfMedium()).toBe(before);
          // The kernel writes to a mounted volume when it likes, and the code is for the content: then list again.
          const write = async () =>
            station.run(
              'write',
              station.image,
              disk.node,
              '--unmount',
              '--confirm',
              await station.codeOf(disk.node),
            );
          let written = await write();
          for (let again = 0; written.status === 9 && again < 2; again++) written = await write();
          expect(written.status, written.stdout + written.stderr).toBe(0);
        }),
      ));

    it('a card that is mounted where no card belongs is refused whatever is said', () =>
      onLoop((station, disk) =>
        withMount(disk, '/srv', async () => {
          const args = ['--confirm', 'AAAA', '--unmount'];
          const refused = await station.run('write', station.image, disk.node, ...args);
          expect(refused.status).toBe(3);
          expect(refused.lines.at(-1)).toMatchObject({
            code: 'job.disk-refused',
            findings: [expect.objectContaining({ code: 'guard.mounted-elsewhere' })],
          });
        }),
      ));

    it("a volume that looks like somebody's archive also asks for its name", () =>
      onLoop(async (station, disk) => {
        fs.truncateSync(disk.backingPath, 0);
        fs.truncateSync(disk.backingPath, 64 * mib);
        execFileSync('losetup', ['-c', disk.node]);
        execFileSync('mkfs.btrfs', ['-q', '-M', '-L', 'HARVEST', disk.node], { stdio: 'ignore' });
        const code = await station.codeOf(disk.node);
        const run = (confirm: string) => station.run('write', station.image, disk.node, '--confirm', confirm);
        const nameless = await run(code);
        expect(nameless.status, nameless.stdout).toBe(9);
        expect(nameless.lines.at(-1)).toMatchObject({ code: 'guard.approval-name-missing' });
        expect((await run(`${code}:WINTER`)).lines.at(-1)).toMatchObject({
          code: 'guard.approval-name-wrong',
        });
        const named = await run(`${code.toLowerCase()}:harvest`);
        expect(named.status, named.stdout + named.stderr).toBe(0);
      }));

    it('a partition is not a disk, and its disk is named', () =>
      onLoop(async (station, disk) => {
        const partition = `${disk.node}p1`;
        execFileSync('addpart', [disk.node, '1', '2048', '65536']);
        const [major, minor] = fs
          .readFileSync(`/sys/block/${disk.name}/${disk.name}p1/dev`, 'utf8')
          .trim()
          .split(':');
        if (!fs.existsSync(partition)) execFileSync('mknod', [partition, 'b', `${major}`, `${minor}`]);
        try {
          const before = await disk.sha256OfMedium();
          const refused = await station.run('write', station.image, partition, '--confirm', 'AAAA');
          expect(refused.status, refused.stdout).toBeGreaterThanOrEqual(2);
          expect(refused.lines.at(-1)).toMatchObject({ code: 'devices.is-partition' });
          expect(await disk.sha256OfMedium()).toBe(before);
        } finally {
          execFileSync('delpart', [disk.node, '1']);
          fs.rmSync(partition, { force: true });
        }
      }));

    it('a disk that is not in the policy is no card', () =>
      withLoopDisk({ sizeBytes: 64 * mib, backing: 'tmpfs' }, (disk) =>
        withStation([], makeOrchard, async (station) => {
          const refused = await station.run('write', station.image, disk.node, '--confirm', 'AAAA');
          expect(refused.status).toBe(3);
          expect(refused.lines.at(-1)).toMatchObject({ code: 'job.disk-refused' });
        }),
      ));

    it('a policy that others can write is ignored, loudly', () =>
      onLoop(async (station, disk) => {
        fs.chmodSync(`${station.folder}/policy.yaml`, 0o666);
        const { lines } = await station.run('devices', '--all');
        const disks = lines.at(-1)?.disks as { node: string; verdict: string }[];
        expect(disks.find(({ node }) => node === disk.node)?.verdict).toBe('refused');
      }));
  },
);
