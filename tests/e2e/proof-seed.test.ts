/**
 * A node whose card has a seed volume at its far end: the real image without a boot volume, written by the real command
 * line and started. Judged by the node's own cloud-init, growpart and OpenSSH, and by sgdisk, e2fsck and fsck.vfat.
 */
import { execFileSync, spawnSync } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import { beforeAll, expect, it } from 'vitest';
import { makeKnownHostsLine } from '../../src/identity/keys/known-hosts.ts';
import { recordFigure } from '../figures/record-figure.ts';
import { withBenchTurns } from '../lab/bench-turn.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type Cleanup, makeWorkFolder, withCleanup } from '../lab/cleanup.ts';
import { withLoopDisk } from '../lab/loop-disk.ts';
import { waitFor } from '../lab/processes.ts';
import { makeBenchNetwork } from '../lab/real-image/bench-network.ts';
import { type LoginResult, runOn, waitForLogin } from '../lab/real-image/log-in.ts';
import { powerOn } from '../lab/real-image/power-on.ts';
import { prepareRealImage } from '../lab/real-image/prepared-image.ts';
import { type RootAlone, takeRootAlone } from '../lab/real-image/root-alone.ts';
import { readRecordedKey } from './proof-cards.ts';
import { scanHostKeys } from './proof-looks.ts';
import { makeKey, makePlan, orchardNodes, stationAddress } from './proof-orchard.ts';
import { type ToolEnd, withStation } from './run-tool.ts';

const mib = 2 ** 20;
const [node] = orchardNodes;
/** What the root volume can grow by. */
const spareBytes = 200 * mib;
const seedBytes = 36 * mib;
const longestBootMs = 15 * 60_000;

const questions = {
  firstBoot: 'cloud-init status --wait --long',
  source: 'cat /run/cloud-init/result.json',
  hostName: 'hostname',
  address: 'ip -4 -brief address show scope global',
  rootBytes: 'findmnt --noheadings --bytes --output=SIZE /',
  failedUnits: 'systemctl list-units --state=failed --plain --no-legend',
} as const;

interface Seen {
  written: ToolEnd;
  identified: ToolEnd;
  recordedKey: string;
  hostKeys: string[];
  answers: Record<keyof typeof questions, LoginResult>;
  /** after the node was switched off */
  checks: Record<'table' | 'root' | 'seed', { status: number | null; said: string }>;
  partitions: { start: number; size: number; type: string }[];
}

function run(program: string, ...args: string[]) {
  const { status, stdout, stderr } = spawnSync(program, args, { encoding: 'utf8' });
  return { status, said: stdout + stderr };
}

interface Card {
  medium: string;
  image: RootAlone;
  keyPath: string;
  recordedKey: string;
}

async function startAndLook(cleanup: Cleanup, folder: string, { medium, image, keyPath, recordedKey }: Card) {
  const { name, address } = node;
  const network = await makeBenchNetwork(cleanup, folder, {
    stationAddress: `${stationAddress}/24`,
    ports: [name],
  });
  const knownHostsPath = join(folder, 'known-hosts');
  fs.writeFileSync(knownHostsPath, `${makeKnownHostsLine([address], recordedKey)}\n`);
  const boot = { folder: image.bootFolder };
  const computer = await powerOn(cleanup, folder, { name, mediumPath: medium, boot, network, port: name });
  const login = { at: `grower@${address}`, keyPath, knownHostsPath };
  await waitForLogin(network, computer, login, longestBootMs);
  const answers = {} as Seen['answers'];
  for (const key of Object.keys(questions) as (keyof typeof questions)[]) {
    answers[key] = await runOn(network, login, questions[key], 600_000);
  }
  const hostKeys = await scanHostKeys(network, address);
  await runOn(network, login, 'sudo -n systemctl poweroff');
  await waitFor(`${name} to be off`, () => computer.running.ended() !== null, { timeoutMs: longestBootMs });
  return { answers, hostKeys };
}

/** What other programs say of the card, after its node had it. */
function lookAtCard(folder: string, medium: string, { rootStartBytes }: RootAlone) {
  const { partitiontable } = JSON.parse(execFileSync('sfdisk', ['--json', medium], { encoding: 'utf8' }));
  const partitions = partitiontable.partitions as Seen['partitions'];
  const seedStart = ((partitions[1]?.start ?? 0) * 512) / mib;
  const seed = join(folder, 'seed.img');
  const place = [`skip=${seedStart}`, `count=${seedBytes / mib}`];
  execFileSync('dd', [`if=${medium}`, `of=${seed}`, 'bs=1M', ...place, 'status=none']);
  return {
    partitions,
    checks: {
      table: run('sgdisk', '--verify', medium),
      root: run('e2fsck', '-f', '-n', `${medium}?offset=${rootStartBytes}`),
      seed: run('fsck.vfat', '-n', seed),
    },
  };
}

async function makeAndStart(): Promise<Seen> {
  const real = await prepareRealImage();
  return withCleanup(async (cleanup) => {
    const folder = await makeWorkFolder(cleanup);
    const image = await takeRootAlone(cleanup, folder, real);
    const keyPath = makeKey(folder, 'grower');
    const prepare = async (place: string) => {
      cleanup.add({ kind: 'folder', path: place }, async () =>
        fs.rmSync(place, { recursive: true, force: true }),
      );
      const plan = makePlan(place, image.path, `${keyPath}.pub`, {
        seedVolume: 'far-end',
        system: {},
        firstBoot: {},
      });
      return { image: image.path, plan };
    };
    const sizeBytes = fs.statSync(image.path).size + seedBytes + spareBytes;
    return withBenchTurns((turns) =>
      withLoopDisk({ sizeBytes, backing: 'file' }, (disk) =>
        withStation([disk.node], prepare, async (station) => {
          const confirm = ['--confirm', await station.codeOf(disk.node)];
          const args = ['--plan', station.plan, '--node', node.name, ...confirm];
          const written = await station.run('write', image.path, disk.node, ...args);
          if (written.status !== 0) throw new Error(`${written.stdout}\n${written.stderr}`);
          const identified = await station.run('identify', disk.node);
          const { recordedKey } = await readRecordedKey(station, '1');
          await turns.go();
          const medium = disk.backingPath;
          const looked = await startAndLook(cleanup, folder, { medium, image, keyPath, recordedKey });
          await turns.come();
          return { written, identified, recordedKey, ...looked, ...lookAtCard(folder, medium, image) };
        }),
      ),
    );
  });
}

const tools = [
  ...(['loop', 'qemu', 'bench-network', 'program:mmdebstrap', 'program:mke2fs', 'program:debugfs'] as const),
  ...(['program:growpart', 'program:sfdisk', 'program:sgdisk', 'program:mkfs.vfat'] as const),
  ...(['program:fsck.vfat', 'program:mcopy', 'program:xz', 'program:ssh'] as const),
];

describeWith(tools, 'an image without a boot volume, on a card with a seed volume', () => {
  let seen: Seen;
  beforeAll(async () => {
    seen = await makeAndStart();
  }, 45 * 60_000);

  it('is written with one, as the plan asks for, and known by it', () => {
    expect(JSON.stringify(seen.written.lines)).toContain('"seed.made"');
    expect(seen.identified.lines.at(-1)).toMatchObject({ onTheCard: { node: node.name, set: 'orchard' } });
  });

  it('lets the grower in by the recorded host key and shows no other', () => {
    // The client got here under StrictHostKeyChecking=yes with nothing but the record to go by (ssh_config(5)).
    expect(seen.hostKeys).toEqual([seen.recordedKey]);
  });

  it('has its settings from the seed volume, to the content of its first-boot program', () => {
    const { answers } = seen;
    expect(answers.firstBoot.stdout).toMatch(/^status: done$/m);
    // Where it was read from and what went wrong, in the program's own words ("Status").
    expect(JSON.parse(answers.source.stdout)).toMatchObject({
      v1: { datasource: expect.stringContaining('DataSourceNoCloud [seed=/dev/vda2]'), errors: [] },
    });
    expect(answers.hostName.stdout.trim()).toBe(node.name);
    expect(answers.address.stdout).toContain(`${node.address}/24`);
    expect(answers.failedUnits.stdout.trim()).toBe('');
    recordFigure('boots proven', 1, 'from a seed volume');
  });

  it('has grown its root volume up to the seed volume, and not over it', () => {
    const [root, seed] = seen.partitions;
    if (!root || !seed) throw new Error('there are not two partitions');
    expect(seed.size * 512).toBe(seedBytes);
    expect((seed.start - root.start - root.size) * 512).toBeLessThan(2 * mib);
    expect(seen.partitions).toHaveLength(2);
    // ext4's own share of a volume is a few per cent.
    expect(Number(seen.answers.rootBytes.stdout)).toBeGreaterThan(root.size * 512 * 0.9);
  });

  it('leaves a table and two volumes in which nobody finds a fault', () => {
    expect(seen.checks.table.said).toContain('No problems found');
    expect(seen.checks.root.status, seen.checks.root.said).toBe(0);
    expect(seen.checks.seed.status, seen.checks.seed.said).toBe(0);
  });
});
