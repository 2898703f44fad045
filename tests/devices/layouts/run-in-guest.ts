/**
 * Runs inside the guest: sets up one layout after another on its disks, looks at the machine as the tool does, and
 * leaves what it saw in /out, a file for each. One process for all, since node takes its time to start there.
 */
import { spawnSync } from 'node:child_process';
import { readFileSync, writeFileSync } from 'node:fs';
import type { DeviceGraph, Disk } from '../../../src/contract/devices.ts';
import type { SystemReader } from '../../../src/contract/system-reader.ts';
import { createLiveReader } from '../../../src/devices/linux/live-reader.ts';
import type { Capture } from '../../../src/devices/replay/capture.ts';
import { captureMachine } from '../../../src/devices/replay/capture-machine.ts';
import type { GuestDisk } from '../../lab/guest/machine.ts';
import { type DiskMark, type Labels, labelDisks, marksOf } from '../disk-labels.ts';
import { type JudgedDisk, judgeMachine } from '../judge-machine.ts';
import type { GuestLayout } from './layout.ts';

export interface Order {
  disks: GuestDisk[];
  layouts: Pick<GuestLayout, 'name' | 'note' | 'setUp' | 'tearDown' | 'appearing'>[];
}

/** What was seen of one layout. */
export interface Sight {
  capture: Capture;
  graph: DeviceGraph;
  judged: JudgedDisk[];
  labels: Labels;
  /** what went wrong while it was set up or taken down; null where nothing did */
  trouble: string | null;
  elapsedMs: { setUp: number; look: number; tearDown: number };
}

/** The overlay of init.sh over the machine that the guest runs on, where a folder of it is bound in: no guest's own. */
const labBind = /^\d+ \d+ \S+ \/\S+ .*\blowerdir=\/host,/;

const withoutLab = (mountInfo: string): string =>
  mountInfo
    .split('\n')
    .filter((line) => !labBind.test(line))
    .join('\n');

/** The guest as it would be if all that runs in it stood where its `/` does. */
function makeReader(): SystemReader {
  const live = createLiveReader({ patienceMs: 60_000 });
  return {
    ...live,
    async readText(path) {
      const answer = await live.readText(path);
      return answer.ok && path.endsWith('/mountinfo')
        ? { ok: true, value: withoutLab(answer.value) }
        : answer;
    },
  };
}

const reader = makeReader();
const order = JSON.parse(readFileSync('/out/order.json', 'utf8')) as Order;
const marks = marksOf(order.disks);

function markAppearing(appearing: GuestLayout['appearing'] = {}): DiskMark[] {
  return Object.entries(appearing).map(([label, mark]) => ({
    label,
    fits: (disk) => Object.entries(mark).every(([fact, value]) => disk[fact as keyof Disk] === value),
  }));
}

/** Gives what went wrong, or null. Output goes to a file: what goes on in the background would keep a pipe open. */
function runBash(script: string, nodes: Labels): string | null {
  const env = Object.entries(nodes).map(([label, name]) => [label, `/dev/${name}`]);
  const text = `exec > /run/layout.log 2>&1\n. /out/layout-words.sh\n${script}`;
  const { status } = spawnSync('bash', ['-c', text], {
    stdio: 'ignore',
    env: { ...process.env, ...Object.fromEntries(env) },
    timeout: 300_000,
  });
  return status === 0 ? null : `status ${status} of ${script}\n${readFileSync('/run/layout.log', 'utf8')}`;
}

async function timed<T>(work: () => Promise<T> | T): Promise<[T, number]> {
  const started = performance.now();
  const value = await work();
  return [value, Math.round(performance.now() - started)];
}

let nodes: Labels = {};
for (const { name, note, setUp, tearDown = '', appearing } of order.layouts) {
  const [failedUp, setUpMs] = await timed(() => runBash(setUp, nodes));
  const [{ capture, graph }, look] = await timed(() => captureMachine(reader, note));
  nodes = labelDisks(graph, marks);
  let trouble = failedUp;
  let labels = nodes;
  try {
    labels = labelDisks(graph, [...marks, ...markAppearing(appearing)]);
  } catch (error) {
    trouble ??= String(error);
  }
  const [failedDown, tearDownMs] = await timed(() => (tearDown === '' ? null : runBash(tearDown, nodes)));
  const sight: Sight = {
    capture: { ...capture, labels: { ...labels } },
    graph,
    judged: judgeMachine(graph),
    labels,
    trouble: trouble ?? failedDown,
    elapsedMs: { setUp: setUpMs, look, tearDown: tearDownMs },
  };
  writeFileSync(`/out/${name}.json`, JSON.stringify(sight));
}
