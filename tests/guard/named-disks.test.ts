import { describe, expect, it } from 'vitest';
import type { Code } from '../../src/contract/catalogue/index.ts';
import type { Disk } from '../../src/contract/devices.ts';
import { judgeDisk } from '../../src/guard/judge-disk.ts';
import { requireCardKind } from '../../src/guard/rules/card-kind.ts';
import { refuseFixedDisks } from '../../src/guard/rules/fixed-disk.ts';
import { fitCases } from './fit-cases.ts';
import { kindCases } from './kind-cases.ts';
import { makeContext, makeDisk, makeGraph, makeLoop, makePolicy, makeUse } from './make-disk.ts';
import { emmc, judge } from './rule-case.ts';
import { useCases } from './use-cases.ts';

const cases = [...useCases, ...kindCases, ...fitCases];

describe('what a policy lifts by naming a disk', () => {
  const byId = '/dev/disk/by-id/usb-ORCHARD_STORAGE_sdb-0:0';
  const lifted: [string, Disk, string, Code[]][] = [
    ['a loop device by its path', makeLoop(), '/dev/loop3', ['guard.named-in-policy']],
    [
      'one in shared memory',
      makeLoop({ backingFile: '/dev/shm/card' }),
      '/dev/loop3',
      ['guard.named-in-policy'],
    ],
    [
      'soldered eMMC by its CID',
      emmc,
      emmc.cid!.toUpperCase(),
      ['guard.named-in-policy', 'guard.fixed-but-named'],
    ],
    [
      'soldered eMMC whose CID is listed in capitals',
      { ...emmc, cid: emmc.cid!.toUpperCase() },
      emmc.cid!,
      ['guard.named-in-policy', 'guard.fixed-but-named'],
    ],
    [
      'a SATA disk by link',
      makeDisk({ kind: 'sata' }),
      byId,
      ['guard.named-in-policy', 'guard.fixed-but-named'],
    ],
    [
      'a memory stick by link name',
      makeDisk({ kind: 'memstick' }),
      byId.slice(16),
      ['guard.named-in-policy'],
    ],
    [
      'a hardwired disk',
      makeDisk({ usbConnectType: 'hardwired', removable: false }),
      byId,
      ['guard.fixed-but-named'],
    ],
  ];
  it.each(lifted)('%s', (_title, disk, entry, codes) => {
    const policy = makePolicy({ allowDevices: [entry], source: '/etc/cardwright/policy.yaml' });
    const { verdict, findings } = judgeDisk(disk, makeContext(disk, { policy }));
    expect(verdict).toBe('allowed');
    expect(findings.map((f) => f.code)).toEqual(codes);
    expect(findings.every((f) => f.severity === 'note' && f.facts.entry === entry)).toBe(true);
  });

  it('a loop device whose file lies on a disk that the system uses', () => {
    const loop = makeLoop();
    const uses = [
      makeUse({ on: 'sda2', what: '/' }),
      makeUse({ on: 'sda2', kind: 'loop-backing', what: `loop3 over ${loop.backingFile}` }),
    ];
    // However the facts are worded: that use is the loop device itself, and no second tenant of the file.
    uses.push({ ...uses[1]!, what: loop.backingFile! });
    const graph = makeGraph([makeDisk({ name: 'sda', kind: 'sata', uses }), loop]);
    const policy = makePolicy({ allowDevices: ['/dev/loop3'] });
    expect(judgeDisk(loop, makeContext(loop, { graph, policy })).verdict).toBe('allowed');
    expect(judgeDisk(graph.disks[0]!, makeContext(loop, { graph, policy })).verdict).toBe('refused');
  });

  it('a loop device mounted as a card, though its mount is listed for the disk beneath as well', () => {
    const mount = makeUse({ on: 'loop3', through: [], what: '/mnt/card' });
    const loop = makeLoop({ uses: [mount] });
    const beneath = { ...mount, on: 'sda2', through: ['sda2', 'loop3'] };
    const policy = makePolicy({ allowDevices: ['/dev/loop3'] });
    const codesWith = (other: typeof mount) => {
      const graph = makeGraph([makeDisk({ name: 'sda', uses: [other] }), loop]);
      return judgeDisk(loop, makeContext(loop, { graph, policy })).findings.map((f) => f.code);
    };
    expect(codesWith(beneath)).toEqual(['guard.named-in-policy', 'guard.mounted']);
    expect(codesWith({ ...beneath, through: ['sda2'] })).toContain('guard.mount-carries-another');
    expect(codesWith({ ...beneath, through: ['sda2', 'loop3 (shed)'] })).not.toContain(
      'guard.mount-carries-another',
    );
    expect(codesWith({ ...beneath, through: ['sda2', 'loop33'] })).toContain('guard.mount-carries-another');
  });

  const refused: [string, Disk, string][] = [
    ['a disk by its node, which another may have tomorrow', makeDisk({ kind: 'sata' }), '/dev/sdb'],
    ['a loop device by a link', makeLoop({ byIds: [byId] }), byId],
    ['a loop device by another path', makeLoop(), '/dev/loop33'],
    ['a disk by the link of a part of it', makeDisk({ kind: 'sata' }), `${byId}-part1`],
    ['a card without CID by no CID', makeDisk({ kind: 'sata' }), ''],
  ];
  it.each(refused)('not %s', (_title, disk, entry) => {
    const policy = makePolicy({ allowDevices: [entry] });
    expect(judgeDisk(disk, makeContext(disk, { policy })).verdict).toBe('refused');
  });

  it.each(cases.filter((c) => ![requireCardKind, refuseFixedDisks].includes(c.rule as never)))(
    'nothing else: a disk that $title stays as it is',
    (c) => {
      const before = judge(c);
      const allowDevices = [c.disk.node, ...c.disk.byIds, c.disk.cid ?? ''];
      const policy = { ...makeContext(c.disk, c.context).policy, allowDevices };
      const after = judgeDisk(c.disk, makeContext(c.disk, { ...c.context, policy }));
      expect(after.verdict).toBe(before.verdict);
    },
  );
});
