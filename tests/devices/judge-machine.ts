import type { DeviceGraph } from '../../src/contract/devices.ts';
import { defaultPolicy, type Policy } from '../../src/contract/policy.ts';
import { judgeDisk } from '../../src/guard/judge-disk.ts';
import type { ExpectedDisk } from './expected-verdict.ts';
import { reasonWords } from './reason-words.ts';

export interface JudgedDisk {
  disk: string;
  said: ExpectedDisk;
}

/** What all machines are judged for: an image of 6 MiB that lies on no disk of theirs. */
const image = { sizeBytes: 6 << 20, sectorBytes: 512, homeDisks: [], homeTraced: true };

/** The guard's word on every disk of a machine, in the words of `reason-words.ts`. */
export function judgeMachine(graph: DeviceGraph, policy: Policy = defaultPolicy): JudgedDisk[] {
  return graph.disks.map((disk) => {
    const { verdict, findings } = judgeDisk(disk, { graph, policy, image });
    return { disk: disk.name, said: [verdict, ...findings.map(reasonWords)] };
  });
}

export function asTable(judged: readonly JudgedDisk[]): Record<string, ExpectedDisk> {
  return Object.fromEntries(judged.map(({ disk, said }) => [disk, said]));
}
