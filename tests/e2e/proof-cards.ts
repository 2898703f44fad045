/** Two cards of the orchard, made by the real command line from the real image, and what is on them by other tools. */
import { execFileSync, spawnSync } from 'node:child_process';
import * as fs from 'node:fs';
import type { LoopDisk } from '../lab/loop-disk.ts';
import type { RealImage } from '../lab/real-image/prepared-image.ts';
import { rootStartOf } from '../lab/real-image/recipe.ts';
import type { OrchardNode } from './proof-orchard.ts';
import type { TestStation, ToolEnd } from './run-tool.ts';

export interface FileSystemChecks {
  /** e2fsck -fn (e2fsprogs) */
  root: { status: number | null; said: string };
  /** fsck.vfat -n (dosfstools) */
  boot: { status: number | null; said: string };
}

export interface MadeCard {
  node: OrchardNode;
  /** of the command that made the card this node's */
  made: ToolEnd;
  /** of the record store: type and key of the host key, and its fingerprint */
  recordedKey: string;
  recordedFingerprint: string;
  beforePower: FileSystemChecks;
}

export function checkFileSystems(image: RealImage, mediumPath: string): FileSystemChecks {
  const { recipe } = image;
  const run = (program: string, args: string[]) => {
    const { status, stdout, stderr } = spawnSync(program, args, { encoding: 'utf8' });
    return { status, said: stdout + stderr };
  };
  const bootPath = `${mediumPath}.boot`;
  const mib = 2 ** 20;
  const place = [`skip=${recipe.bootStartBytes / mib}`, `count=${recipe.bootBytes / mib}`];
  execFileSync('dd', [`if=${mediumPath}`, `of=${bootPath}`, 'bs=1M', ...place, 'status=none']);
  const checks = {
    root: run('e2fsck', ['-f', '-n', `${mediumPath}?offset=${rootStartOf(recipe)}`]),
    boot: run('fsck.vfat', ['-n', bootPath]),
  };
  fs.rmSync(bootPath);
  return checks;
}

/** The key and its fingerprint as the record store has them. */
export async function readRecordedKey(station: TestStation, recordId: string) {
  const { lines } = await station.run('records', recordId);
  const { identity } = lines.at(-1) as { identity: { hostKeyPublic: string; hostKeyFingerprint: string } };
  return {
    recordedKey: identity.hostKeyPublic.split(' ').slice(0, 2).join(' '),
    recordedFingerprint: identity.hostKeyFingerprint,
  };
}

/** Runs one command after another on the card; the last one makes it the node's. Throws unless all end with 0. */
async function makeCard(
  station: TestStation,
  image: RealImage,
  { disk, node, commands }: { disk: LoopDisk; node: OrchardNode; commands: string[][] },
): Promise<MadeCard> {
  let made: ToolEnd | null = null;
  for (const command of commands) {
    const confirm = ['--plan', station.plan, '--confirm', await station.codeOf(disk.node)];
    made = await station.run(...command, ...confirm);
    if (made.status !== 0) throw new Error(`${command.join(' ')}:\n${made.stdout}\n${made.stderr}`);
  }
  const done = made?.lines.find((line) => line.type === 'done');
  if (!made || !done) throw new Error(`no card for ${node.name}:\n${made?.stdout}`);
  return {
    node,
    made,
    ...(await readRecordedKey(station, String(done.recordId))),
    beforePower: checkFileSystems(image, disk.backingPath),
  };
}

/** Writes the image onto the card as the node's. */
export function writeCard(station: TestStation, image: RealImage, disk: LoopDisk, node: OrchardNode) {
  const commands = [['write', image.packedPath, disk.node, '--node', node.name]];
  return makeCard(station, image, { disk, node, commands });
}

/** Makes the other node's card first, and then this one's of it: nothing of the other may be left. */
export function reuseCard(
  station: TestStation,
  image: RealImage,
  disk: LoopDisk,
  { node, other }: { node: OrchardNode; other: OrchardNode },
) {
  const commands = [
    ['write', image.packedPath, disk.node, '--node', other.name],
    ['personalize', disk.node, '--node', node.name],
  ];
  return makeCard(station, image, { disk, node, commands });
}
