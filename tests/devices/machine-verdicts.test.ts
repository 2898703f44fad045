/** The guard's word on every disk of every machine that we have, held against tables that were read line by line. */
import { describe, expect, it } from 'vitest';
import type { DeviceGraph } from '../../src/contract/devices.ts';
import { defaultPolicy, type Policy } from '../../src/contract/policy.ts';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import { createReplayReader } from '../../src/devices/replay/replay-reader.ts';
import { recordFigure } from '../figures/record-figure.ts';
import { tableInLabels } from './disk-labels.ts';
import { composedVerdicts } from './expected-composed.ts';
import { loopVerdicts } from './expected-loops.ts';
import type { ExpectedDisk, ExpectedMachines } from './expected-verdict.ts';
import { asTable, judgeMachine } from './judge-machine.ts';
import { expectedIn } from './layouts/layout.ts';
import { guestMachines } from './layouts/machines.ts';
import { loadCapture } from './load-capture.ts';
import { composeCapture, composedNames } from './make-machines.ts';
import { topologies } from './topologies.ts';

type Table = Readonly<Record<string, ExpectedDisk>>;

const composedGraph = async (name: string) =>
  buildDeviceGraph(createReplayReader(await composeCapture(name)));
const capturedGraph = (name: string) => buildDeviceGraph(createReplayReader(loadCapture(name)));

const namingLoops = ({ disks }: DeviceGraph): Policy => ({
  ...defaultPolicy,
  source: 'a trial',
  allowDevices: disks.filter(({ kind }) => kind === 'loop').map(({ node }) => node),
});

/** Judges each machine of a table, holds it against the table, and hands the numbers in when all of them agree. */
function holdAgainst(note: string, table: ExpectedMachines, judge: (machine: string) => Promise<Table>) {
  const judged: { machine: string; disk: string; said: ExpectedDisk }[] = [];

  it.each(Object.keys(table))('%s', async (machine) => {
    const found = await judge(machine);
    expect(found).toEqual(table[machine]);
    judged.push(...Object.entries(found).map(([disk, said]) => ({ machine, disk, said })));
  });

  it('lets no disk through that must be left alone, and refuses none for nothing', () => {
    const verdicts = judged.map(({ machine, disk, said }) => ({
      meant: table[machine]?.[disk]?.[0],
      given: said[0],
    }));
    const letThrough = verdicts.filter(({ meant, given }) => meant === 'refused' && given !== 'refused');
    const refused = verdicts.filter(({ meant, given }) => meant !== 'refused' && given === 'refused');
    expect([letThrough, refused]).toEqual([[], []]);
    // Nothing counts that was not judged above.
    expect(new Set(judged.map(({ machine }) => machine)).size).toBe(Object.keys(table).length);
    recordFigure('topologies', Object.keys(table).length, note);
    recordFigure('disks judged', judged.length, note);
    recordFigure('wrong disks let through', letThrough.length, note);
    recordFigure('cards refused for nothing', refused.length, note);
  });
}

describe('composed machines', () => {
  holdAgainst('composed machines', composedVerdicts, async (name) =>
    asTable(judgeMachine(await composedGraph(name))),
  );

  it('has an expectation for every one', () => {
    expect(Object.keys(composedVerdicts).toSorted()).toEqual(composedNames.toSorted());
  });
});

describe('machines captured with loop devices, which the policy names', () => {
  holdAgainst('captured with loop devices', loopVerdicts, async (name) => {
    const graph = await capturedGraph(name);
    return asTable(judgeMachine(graph, namingLoops(graph)));
  });

  it('has an expectation for every one', () => {
    expect(Object.keys(loopVerdicts).toSorted()).toEqual(topologies.map(({ name }) => name).toSorted());
  });

  it.each(Object.keys(loopVerdicts))('%s: the built-in policy refuses every disk', async (name) => {
    const judged = judgeMachine(await capturedGraph(name));
    expect(judged.filter(({ said }) => said[0] !== 'refused')).toEqual([]);
    const loops = judged.filter(({ disk }) => disk.startsWith('loop'));
    expect(loops.length).toBeGreaterThan(0);
    for (const { said } of loops) expect(said).toContain('refuse loop-not-named');
  });
});

describe('machines captured in the guest', () => {
  const tables = guestMachines.flatMap((machine) =>
    machine.layouts.map((layout) => [layout.name, expectedIn(machine, layout)] as const),
  );
  holdAgainst('captured in the guest', Object.fromEntries(tables), async (name) => {
    const { labels } = loadCapture(name);
    return tableInLabels(judgeMachine(await capturedGraph(name)), labels);
  });
});

describe('what the owner of a station may lift, and what nobody may', () => {
  const emmcCid = 'fe0100454d333247580712345678a200';
  const lifted = ['note named-in-policy', 'note fixed-but-named'];
  const cases: [string, string, Partial<Policy>, Record<string, ExpectedDisk>][] = [
    [
      'a module that the policy names by its CID; its boot areas have the same CID and stay refused',
      'emmc-with-boot-areas',
      { allowDevices: [emmcCid.toUpperCase()] },
      {
        mmcblk1: ['allowed', ...lifted],
        mmcblk1boot0: [
          'refused',
          'note named-in-policy',
          'refuse boot-area',
          'refuse read-only',
          'refuse too-small',
          'refuse fact-unseen what stands on it now because its content was not read',
        ],
      },
    ],
    [
      'a module that the policy names and the system stands on',
      'root-on-emmc',
      { allowDevices: [emmcCid] },
      { mmcblk0: ['refused', 'refuse mounted-elsewhere / on mmcblk0p1', ...lifted], mmcblk1: ['allowed'] },
    ],
    [
      'one of two cards that are alike, by its CID alone',
      'two-sd-cards',
      { transports: [], allowDevices: ['1b534d454231515430a1b2c3d40157f3'] },
      { mmcblk0: ['refused', 'refuse transport-not-allowed'], mmcblk1: ['allowed', 'note named-in-policy'] },
    ],
    [
      'a USB disk on the board, by its link',
      'built-in-usb',
      { allowDevices: ['/dev/disk/by-id/usb-Generic-_Disk_DISK-1-5-0:0'] },
      { sdb: ['allowed', 'note fixed-but-named'], sdc: ['allowed'] },
    ],
    [
      'memory sticks, as a transport; nothing else that is no card',
      'no-cards-at-all',
      { transports: ['memstick'] },
      { mspblk0: ['allowed'], nbd0: ['refused', 'refuse not-a-card'] },
    ],
    [
      'desktop mounts, where nothing may be unmounted',
      'card-opened-by-desktop',
      { unmountBelow: [] },
      {
        sdb: [
          'refused',
          'refuse mounted-elsewhere /media/grower/BOOT on sdb1',
          'refuse mounted-elsewhere /media/grower/root on sdb2',
        ],
      },
    ],
    [
      'the size of a large disk; its archive still has to be approved',
      'backup-disks',
      { maxSizeBytes: 2 ** 42 },
      { sdc: ['needs approval', 'ask archive on sdc1 called Photos'] },
    ],
    [
      'the system on a mirror, with everything that a policy can name',
      'md-mirror-root',
      { transports: ['usb', 'mmc-sd', 'memstick'], unmountBelow: ['/media'], maxSizeBytes: 2 ** 50 },
      { md0: ['refused', 'refuse mounted-elsewhere / on md0', 'refuse not-a-card'] },
    ],
  ];

  it.each(cases)('%s', async (_title, machine, change, expected) => {
    const judged = judgeMachine(await composedGraph(machine), { ...defaultPolicy, ...change });
    expect(asTable(judged)).toMatchObject(expected);
  });
});
