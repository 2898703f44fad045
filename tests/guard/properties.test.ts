import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { DeviceGraph, Disk } from '../../src/contract/devices.ts';
import type { GuardContext } from '../../src/guard/context.ts';
import { judgeDisk } from '../../src/guard/judge-disk.ts';
import { cardBytes, makeContext, makeDisk, makeGraph, makePolicy, makeUse } from './make-disk.ts';
import { anyPolicy, buildMachine, type Machine, recipe, systemPoints } from './make-machine.ts';

const machine = recipe.map(buildMachine);
const machineAndPolicy = machine.chain((built) => fc.tuple(fc.constant(built), anyPolicy(built.graph)));

function judgeIn({ graph }: Machine, disk: Disk, change: Partial<GuardContext> = {}) {
  return judgeDisk(disk, { ...makeContext(disk, change), graph });
}

function freezeDeep<T>(value: T): T {
  if (typeof value === 'object' && value !== null) {
    for (const part of Object.values(value)) freezeDeep(part);
    Object.freeze(value);
  }
  return value;
}

describe('on any machine, under any policy', () => {
  it('no disk under a mount of the system, swap or a stack gets through', () => {
    const seen = { occupied: 0, free: 0, passed: 0, deep: 0 };
    fc.assert(
      fc.property(machineAndPolicy, ([built, policy]) => {
        if (built.depth > 2) seen.deep += 1;
        const passed = built.graph.disks.filter(
          (disk) => judgeIn(built, disk, { policy }).verdict !== 'refused',
        );
        expect(passed.filter((disk) => built.occupied.has(disk.name))).toEqual([]);
        seen.occupied += built.occupied.size;
        seen.free += built.graph.disks.length - built.occupied.size;
        seen.passed += passed.length;
      }),
      { numRuns: 2000, seed: 20240611 },
    );
    // The machines were worth judging: many deep stacks, many disks of each sort, and not everything is refused.
    expect(seen.deep).toBeGreaterThan(300);
    expect(seen.occupied).toBeGreaterThan(3000);
    expect(seen.free).toBeGreaterThan(700);
    expect(seen.passed).toBeGreaterThan(300);
  });

  it('a mount of the system is refused at its point and at every point below', () => {
    const below = fc.array(
      fc.stringMatching(/^[a-z0-9 ._-]{1,8}$/).filter((s) => !/^\.+$/.test(s)),
      { maxLength: 3 },
    );
    fc.assert(
      fc.property(fc.constantFrom(...systemPoints.slice(1)), below, (point, parts) => {
        const what = [point, ...parts].join('/');
        // What desktops put below /run/media is a card's place.
        if (what === '/run/media' || what.startsWith('/run/media/')) return;
        const disk = makeDisk({ uses: [makeUse({ on: 'sdb', through: [], what })] });
        const places = ['/', point, '/run', '/usr', what.slice(0, what.lastIndexOf('/'))];
        const policy = makePolicy({ unmountBelow: places, allowDevices: disk.byIds });
        expect(judgeDisk(disk, makeContext(disk, { policy })).verdict).toBe('refused');
      }),
      { numRuns: 500 },
    );
  });

  it('whatever cannot be seen refuses, on every disk', () => {
    const fact = { what: 'mounts of process 1', why: 'EACCES', decides: true };
    const blindDisks: Partial<Disk>[] = [{ unseen: [fact] }, { signatures: null }];
    const blindMachines: Partial<DeviceGraph>[] = [{ unseen: [fact] }, { untraced: ['0:27 (/ as overlay)'] }];
    fc.assert(
      fc.property(machineAndPolicy, ([built, policy]) => {
        for (const disk of built.graph.disks) {
          for (const blind of blindDisks) {
            expect(judgeIn(built, { ...disk, ...blind }, { policy }).verdict).toBe('refused');
          }
          for (const blind of blindMachines) {
            const graph = { ...built.graph, ...blind };
            expect(judgeIn({ ...built, graph }, disk, { policy }).verdict).toBe('refused');
          }
        }
      }),
      { numRuns: 300 },
    );
  });

  it('one more use never makes a verdict milder', () => {
    const rank = { allowed: 0, 'needs approval': 1, refused: 2 };
    fc.assert(
      fc.property(
        machineAndPolicy,
        fc.constantFrom(...systemPoints, '/media/a/b'),
        ([built, policy], what) => {
          for (const disk of built.graph.disks) {
            const more = { ...disk, uses: [...disk.uses, makeUse({ on: disk.name, through: [], what })] };
            const before = judgeIn(built, disk, { policy }).verdict;
            const after = judgeIn(built, more, { policy }).verdict;
            expect(rank[after]).toBeGreaterThanOrEqual(Math.max(rank[before], 1));
          }
        },
      ),
      { numRuns: 300 },
    );
  });

  it('the verdict follows from the findings alone, and judging changes nothing it was given', () => {
    fc.assert(
      fc.property(machineAndPolicy, ([built, policy]) => {
        freezeDeep(built.graph);
        for (const disk of built.graph.disks) {
          const { verdict, findings } = judgeIn(built, disk, { policy: freezeDeep(policy) });
          const severities = new Set(findings.map((f) => f.severity));
          const expected = severities.has('refuse')
            ? 'refused'
            : severities.has('ask')
              ? 'needs approval'
              : 'allowed';
          expect(verdict).toBe(expected);
          expect(severities.has('fail')).toBe(false);
        }
      }),
      { numRuns: 300 },
    );
  });
});

describe('facts that are only shown', () => {
  it('never change what is found', () => {
    const shown = fc.record({
      removable: fc.boolean(),
      description: fc.option(fc.string()),
      vendor: fc.option(fc.string()),
      model: fc.option(fc.string()),
      usbId: fc.option(fc.string()),
      genericNode: fc.option(fc.string()),
      wear: fc.constantFrom(null, { lifeTimeA: 11, lifeTimeB: 11, preEndOfLife: 3 }),
      usbConnectType: fc.constantFrom('hotplug', 'unknown', 'not used', null),
      physicalBlockBytes: fc.constantFrom(512, 4096),
    });
    fc.assert(
      fc.property(machine, shown, (built, change) => {
        for (const disk of built.graph.disks) {
          expect(judgeIn(built, { ...disk, ...change })).toEqual(judgeIn(built, disk));
        }
      }),
      { numRuns: 200 },
    );
  });
});

describe('sizes', () => {
  it('a card passes exactly when the image fits and the limit holds', () => {
    const size = fc.integer({ min: 1, max: cardBytes });
    fc.assert(
      fc.property(size, size, size, (diskBytes, imageBytes, limitBytes) => {
        const disk = makeDisk({ sizeBytes: diskBytes });
        const context = makeContext(disk, {
          graph: makeGraph([disk]),
          policy: makePolicy({ maxSizeBytes: limitBytes }),
          image: { sizeBytes: imageBytes, sectorBytes: 512, homeDisks: [], homeTraced: true },
        });
        const fits = imageBytes <= diskBytes && diskBytes <= limitBytes;
        expect(judgeDisk(disk, context).verdict).toBe(fits ? 'allowed' : 'refused');
      }),
    );
  });
});
