/**
 * The last proof, as far as it is done and not judged: two finished cards are put into two computers on one network,
 * and looked at; then switched off and looked at again.
 */
import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import { execa } from 'execa';
import { makeKnownHostsLine } from '../../src/identity/keys/known-hosts.ts';
import { type BenchTurns, withBenchTurns } from '../lab/bench-turn.ts';
import { type Cleanup, makeWorkFolder, withCleanup } from '../lab/cleanup.ts';
import { type LoopDisk, withLoopDisk } from '../lab/loop-disk.ts';
import { waitFor } from '../lab/processes.ts';
import { type BenchNetwork, makeBenchNetwork } from '../lab/real-image/bench-network.ts';
import { type LoginOptions, runOn, waitForLogin } from '../lab/real-image/log-in.ts';
import { type Computer, powerOn } from '../lab/real-image/power-on.ts';
import { prepareRealImage, type RealImage } from '../lab/real-image/prepared-image.ts';
import {
  checkFileSystems,
  type FileSystemChecks,
  type MadeCard,
  reuseCard,
  writeCard,
} from './proof-cards.ts';
import { type Answers, askNode, type Doors, scanHostKeys, tryDoors } from './proof-looks.ts';
import { makeKey, makePlan, type OrchardNode, orchardNodes, stationAddress } from './proof-orchard.ts';
import { launcher, type TestStation, type ToolEnd, withStation } from './run-tool.ts';

const bootTimeoutMs = 15 * 60_000;
/** A card is larger than the image, as cards are. */
const roomBytes = 40 * 2 ** 20;

export interface LivedCard extends MadeCard {
  /** from power-on until the grower got in */
  loginSeconds: number;
  answers: Answers;
  hostKeys: string[];
  doors: Doors;
  /** of the emulated computer, after "poweroff" on the node */
  end: string | null;
  afterPower: FileSystemChecks;
  /** what the tool says about the card afterwards */
  identified: ToolEnd;
}

/** A line on stderr for each step: on a busy machine the whole takes minutes. */
function tell(begunMs: number, what: string): void {
  process.stderr.write(`proof: ${((performance.now() - begunMs) / 1000).toFixed(0)} s: ${what}\n`);
}

interface Bench {
  turns: BenchTurns;
  begunMs: number;
  station: TestStation;
  image: RealImage;
  network: BenchNetwork;
  folder: string;
  growersKey: string;
  strangersKey: string;
}

interface CardInComputer {
  card: MadeCard;
  disk: LoopDisk;
  computer: Computer;
  login: LoginOptions & { address: string };
}

async function insertCard(
  cleanup: Cleanup,
  bench: Bench,
  card: MadeCard,
  disk: LoopDisk,
): Promise<CardInComputer> {
  const { name, address } = card.node;
  const knownHostsPath = join(bench.folder, `${name}.known-hosts`);
  fs.writeFileSync(knownHostsPath, `${makeKnownHostsLine([address], card.recordedKey)}\n`);
  const computer = await powerOn(cleanup, bench.folder, {
    name,
    mediumPath: disk.backingPath,
    boot: { startBytes: bench.image.recipe.bootStartBytes },
    network: bench.network,
    port: name,
  });
  const login = { at: `grower@${address}`, address, keyPath: bench.growersKey, knownHostsPath };
  return { card, disk, computer, login };
}

async function lookAt(bench: Bench, { card, computer, login }: CardInComputer, other: OrchardNode) {
  const { network, folder, strangersKey, begunMs } = bench;
  const { node } = card;
  const loginSeconds = await waitForLogin(network, computer, login, bootTimeoutMs);
  tell(begunMs, `${node.name} let the grower in ${loginSeconds.toFixed(0)} s after power-on`);
  const answers = await askNode(network, login);
  // The other's host key under this one's address.
  const mixedUp = join(folder, `${node.name}.mixed-up`);
  const theirs = fs.readFileSync(join(folder, `${other.name}.known-hosts`), 'utf8');
  fs.writeFileSync(mixedUp, theirs.replace(other.address, node.address));
  const hostKeys = await scanHostKeys(network, node.address);
  const doors = await tryDoors(network, login, { keyPath: strangersKey, knownHostsPath: mixedUp });
  return { loginSeconds, answers, doors, hostKeys };
}

async function powerOff(bench: Bench, { computer, login, card, disk }: CardInComputer) {
  // The connection may be gone before the command has ended; the computer's own end is what counts.
  await runOn(bench.network, login, 'sudo -n systemctl poweroff');
  const end = await waitFor(`${card.node.name} to switch off`, () => computer.running.ended(), {
    timeoutMs: 5 * 60_000,
    everyMs: 100,
  });
  return { end, afterPower: checkFileSystems(bench.image, disk.backingPath) };
}

async function liveThrough(
  cleanup: Cleanup,
  bench: Bench,
  made: readonly [MadeCard, MadeCard],
  disks: readonly [LoopDisk, LoopDisk],
): Promise<{ cards: [LivedCard, LivedCard]; rollCall: ToolEnd }> {
  await bench.turns.go();
  const first = await insertCard(cleanup, bench, made[0], disks[0]);
  const second = await insertCard(cleanup, bench, made[1], disks[1]);
  // All of it while both are up, on one network.
  const seen = await Promise.all([lookAt(bench, first, made[1].node), lookAt(bench, second, made[0].node)]);
  const rollCall = await callRoll(bench);
  tell(bench.begunMs, 'both were looked at and answered the roll call; they are switched off now');
  const ends = await Promise.all([powerOff(bench, first), powerOff(bench, second)]);
  await bench.turns.come();
  const identify = (disk: LoopDisk) => bench.station.run('identify', disk.node);
  const cards: [LivedCard, LivedCard] = [
    { ...made[0], ...seen[0], ...ends[0], identified: await identify(disks[0]) },
    { ...made[1], ...seen[1], ...ends[1], identified: await identify(disks[1]) },
  ];
  return { cards, rollCall };
}

/** The roll is called from the station, on the nodes' own network. */
async function callRoll({ network, station }: Bench): Promise<ToolEnd> {
  const [program, args] = network.inside(process.execPath, [
    ...[launcher, 'rollcall', station.plan, '--wait', '1m', ...station.common],
  ]);
  const { exitCode, stdout, stderr } = await execa(program, args, { reject: false });
  const lines = stdout
    .split('\n')
    .filter((line) => line.startsWith('{'))
    .map((line) => JSON.parse(line) as Record<string, unknown>);
  return { status: exitCode ?? null, signal: null, stdout, stderr, lines };
}

/** Size of what an xz file holds, by xz itself (xz(1), "ROBOT MODE"). */
function sizeInside(path: string): number {
  const lines = execFileSync('xz', ['--robot', '--list', path], { encoding: 'utf8' }).split('\n');
  return Number(lines.find((line) => line.startsWith('totals'))?.split('\t')[4]);
}

/** Makes both cards and lives through their first day. Takes minutes; all is taken back at its end. */
export async function makeAndLive(): Promise<{
  image: RealImage;
  cards: [LivedCard, LivedCard];
  rollCall: ToolEnd;
}> {
  const begunMs = performance.now();
  const image = await prepareRealImage();
  const imageBytes = sizeInside(image.packedPath);
  tell(
    begunMs,
    `the image is there: ${fs.statSync(image.packedPath).size} bytes packed, ${imageBytes} on a card`,
  );
  const [node, other] = orchardNodes;
  const size = { sizeBytes: imageBytes + roomBytes, backing: 'file' } as const;
  return withCleanup(async (outer) => {
    const folder = await makeWorkFolder(outer);
    const growersKey = makeKey(folder, 'grower');
    const strangersKey = makeKey(folder, 'stranger');
    const prepare = async (place: string) => {
      // The station takes its folder away itself, unless it is killed.
      outer.add({ kind: 'folder', path: place }, async () =>
        fs.rmSync(place, { recursive: true, force: true }),
      );
      return { image: image.packedPath, plan: makePlan(place, image.packedPath, `${growersKey}.pub`) };
    };
    const lived = await withBenchTurns((turns) =>
      withLoopDisk(size, (one) =>
        withLoopDisk(size, (two) =>
          withStation([one.node, two.node], prepare, async (station) => {
            const first = await writeCard(station, image, one, node);
            tell(begunMs, 'the first card is made');
            const second = await reuseCard(station, image, two, { node: other, other: node });
            tell(begunMs, 'the second card is made, out of one that was the first node’s');
            return withCleanup(async (cleanup) => {
              const network = await makeBenchNetwork(cleanup, folder, {
                stationAddress: `${stationAddress}/24`,
                ports: orchardNodes.map(({ name }) => name),
              });
              const bench = { turns, begunMs, station, image, network, folder, growersKey, strangersKey };
              return liveThrough(cleanup, bench, [first, second], [one, two]);
            });
          }),
        ),
      ),
    );
    return { image, ...lived };
  });
}
