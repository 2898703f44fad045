/**
 * The recorded host key on an image that makes new keys at the first boot: the real image with a unit as the most
 * common SBC images have it. Judged by the node's own systemd and OpenSSH (systemctl(1), ssh_config(5)).
 */
import * as fs from 'node:fs';
import { join } from 'node:path';
import { beforeAll, expect, it } from 'vitest';
import { makeKnownHostsLine } from '../../src/identity/keys/known-hosts.ts';
import { recordFigure } from '../figures/record-figure.ts';
import { withBenchTurns } from '../lab/bench-turn.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type Cleanup, makeWorkFolder, withCleanup } from '../lab/cleanup.ts';
import { type LoopDisk, withLoopDisk } from '../lab/loop-disk.ts';
import { makeBenchNetwork } from '../lab/real-image/bench-network.ts';
import { changeImage } from '../lab/real-image/change-image.ts';
import { type LoginResult, runOn, waitForLogin } from '../lab/real-image/log-in.ts';
import { powerOn } from '../lab/real-image/power-on.ts';
import { prepareRealImage, type RealImage } from '../lab/real-image/prepared-image.ts';
import { type MadeCard, writeCard } from './proof-cards.ts';
import { scanHostKeys } from './proof-looks.ts';
import { makeKey, makePlan, orchardNodes, stationAddress } from './proof-orchard.ts';
import { type TestStation, type ToolEnd, withStation } from './run-tool.ts';

const unit = 'new-host-keys.service';
/** In multi-user.target, as in the public first-boot scripts; removes all keys and makes new ones of every kind. */
const unitText = `[Unit]
Description=Make new SSH host keys
Before=ssh.service
ConditionFileIsExecutable=/usr/bin/ssh-keygen

[Service]
Type=oneshot
ExecStartPre=-/bin/sh -c "/bin/rm -f -v /etc/ssh/ssh_host_*_key*"
ExecStart=/usr/bin/ssh-keygen -A -v
ExecStartPost=/bin/systemctl disable ${unit}

[Install]
WantedBy=multi-user.target
`;
/** Beside it, so that it is seen that units of that target do run, and in what order. */
const witness = 'witness.service';
const witnessText = `[Unit]
Description=Keep a list of the host keys that are there
After=${unit}

[Service]
Type=oneshot
ExecStart=/bin/sh -c "cat /etc/ssh/ssh_host_*_key.pub > /run/witnessed"

[Install]
WantedBy=multi-user.target
`;
const wants = '/etc/systemd/system/multi-user.target.wants';
const changes = {
  files: {
    [`/usr/lib/systemd/system/${unit}`]: unitText,
    [`/usr/lib/systemd/system/${witness}`]: witnessText,
  },
  links: {
    [`${wants}/${unit}`]: `/usr/lib/systemd/system/${unit}`,
    [`${wants}/${witness}`]: `/usr/lib/systemd/system/${witness}`,
  },
};

/** The grower does not become root here, and reads the journal all the same (systemd-journald.service(8), "Access control"). */
const modestGrower = {
  access: { user: 'grower', authorizedKeys: ['grower.pub'], sudo: 'none' },
  firstBoot: { commands: ['usermod --append --groups systemd-journal grower'] },
};

const questions = {
  firstBoot: 'cloud-init status --wait --long',
  target: 'systemctl is-active multi-user.target',
  unitState: `systemctl show --property=LoadState,ActiveState,ExecMainStartTimestamp ${unit}`,
  journal: `journalctl --boot --quiet --output=cat _SYSTEMD_UNIT=${unit}`,
  witnessInJournal: `journalctl --boot --quiet --output=cat --lines=1 UNIT=${witness}`,
  superUser: 'sudo -n id -un',
  witnessed: 'cat /run/witnessed',
  failedUnits: 'systemctl list-units --state=failed --plain --no-legend',
} as const;

interface Seen {
  /** of the first-boot program, by Debian's own list of what is in the image */
  listedVersion: string;
  inspected: ToolEnd;
  card: MadeCard;
  hostKeys: string[];
  answers: Record<keyof typeof questions, LoginResult>;
}

interface Bench {
  image: RealImage;
  disk: LoopDisk;
  card: MadeCard;
  /** private half of the grower's key */
  keyPath: string;
}

const longestBootMs = 15 * 60_000;

async function startAndLook(cleanup: Cleanup, folder: string, { image, disk, card, keyPath }: Bench) {
  const { name, address } = card.node;
  const network = await makeBenchNetwork(cleanup, folder, {
    stationAddress: `${stationAddress}/24`,
    ports: [name],
  });
  const knownHostsPath = join(folder, 'known-hosts');
  fs.writeFileSync(knownHostsPath, `${makeKnownHostsLine([address], card.recordedKey)}\n`);
  const computer = await powerOn(cleanup, folder, {
    name,
    mediumPath: disk.backingPath,
    boot: { startBytes: image.recipe.bootStartBytes },
    network,
    port: name,
  });
  const login = { at: `grower@${address}`, keyPath, knownHostsPath };
  await waitForLogin(network, computer, login, longestBootMs);
  const answers = {} as Seen['answers'];
  for (const key of Object.keys(questions) as (keyof typeof questions)[]) {
    answers[key] = await runOn(network, login, questions[key], 600_000);
  }
  return { answers, hostKeys: await scanHostKeys(network, address) };
}

async function makeAndStart(): Promise<Seen> {
  const image = await prepareRealImage();
  const packages = fs
    .readFileSync(image.manifestPath, 'utf8')
    .split('\n')
    .map((line) => line.split('\t'));
  const listedVersion = packages.find(([name]) => name === 'cloud-init')?.[1] ?? 'not listed';
  return withCleanup(async (cleanup) => {
    const folder = await makeWorkFolder(cleanup);
    const raw = await changeImage(cleanup, folder, image, changes);
    const keyPath = makeKey(folder, 'grower');
    const prepare = async (place: string) => {
      cleanup.add({ kind: 'folder', path: place }, async () =>
        fs.rmSync(place, { recursive: true, force: true }),
      );
      return { image: raw, plan: makePlan(place, raw, `${keyPath}.pub`, modestGrower) };
    };
    const sizeBytes = fs.statSync(raw).size + 40 * 2 ** 20;
    return withBenchTurns((turns) =>
      withLoopDisk({ sizeBytes, backing: 'file' }, (disk) =>
        withStation([disk.node], prepare, async (station: TestStation) => {
          const inspected = await station.run('inspect', raw);
          const card = await writeCard(station, { ...image, packedPath: raw }, disk, orchardNodes[0]);
          await turns.go();
          const looked = await startAndLook(cleanup, folder, { image, disk, card, keyPath });
          await turns.come();
          return { listedVersion, inspected, card, ...looked };
        }),
      ),
    );
  });
}

const tools = [
  'loop',
  'qemu',
  'bench-network',
  'program:mmdebstrap',
  'program:mke2fs',
  'program:debugfs',
  'program:sfdisk',
  'program:mkfs.vfat',
  'program:fsck.vfat',
  'program:mcopy',
  'program:xz',
  'program:ssh',
] as const;

describeWith(tools, 'an image that makes new host keys at its first boot', () => {
  let seen: Seen;
  beforeAll(async () => {
    seen = await makeAndStart();
  }, 45 * 60_000);

  it('is seen through before anything is written', () => {
    expect(seen.inspected.status, seen.inspected.stderr).toBe(0);
    expect(seen.inspected.lines.at(-1)).toMatchObject({
      type: 'image',
      mechanism: { mechanism: 'nocloud-files' },
      root: {
        state: 'read',
        facts: { hostKeyUnits: [{ name: unit, effect: 'replaces', outOfReach: null }] },
      },
    });
    expect(seen.inspected.lines.at(-1)).toMatchObject({
      root: { facts: { program: { version: seen.listedVersion } } },
    });
    const done = seen.card.made.lines.find(({ type }) => type === 'done');
    expect(JSON.stringify(seen.card.made.lines)).toContain('identity.host-key-unit-off');
    expect(done).toMatchObject({ card: 'done' });
  });

  it('lets the grower in by the recorded host key and shows no other', () => {
    // The client got here under StrictHostKeyChecking=yes with nothing but the record to go by (ssh_config(5)).
    expect(seen.hostKeys).toEqual([seen.card.recordedKey]);
    recordFigure('boots proven', 1, 'an image that makes keys of its own');
  });

  it('lets nobody become root where the plan says so', () => {
    expect(seen.answers.superUser).toMatchObject({ status: 1, stdout: '' });
    expect(seen.answers.superUser.stderr).toMatch(/^sudo: /);
  });

  it('has that unit masked, and reached the target it belongs to without it', () => {
    const { answers } = seen;
    expect(answers.firstBoot.stdout).toMatch(/^status: done$/m);
    expect(answers.target.stdout.trim()).toBe('active');
    expect(answers.unitState.stdout.trim().split('\n').sort()).toEqual([
      'ActiveState=inactive',
      'ExecMainStartTimestamp=',
      'LoadState=masked',
    ]);
    expect(answers.journal.stdout.trim()).toBe('');
    // Silence means something: another unit of that target is heard.
    expect(answers.witnessInJournal.stdout.trim()).not.toBe('');
    expect(answers.failedUnits.stdout.trim()).toBe('');
    // What another unit of the same target saw, which was to run after it.
    expect(answers.witnessed.stdout.split(' ').slice(0, 2).join(' ')).toBe(seen.card.recordedKey);
    expect(answers.witnessed.stdout.trim().split('\n')).toHaveLength(1);
  });
});
