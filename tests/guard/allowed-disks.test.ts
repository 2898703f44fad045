import { describe, expect, it } from 'vitest';
import type { Disk } from '../../src/contract/devices.ts';
import type { GuardContext } from '../../src/guard/context.ts';
import { judgeDisk } from '../../src/guard/judge-disk.ts';
import {
  makeContext,
  makeDisk,
  makeGraph,
  makeImage,
  makePartition,
  makePolicy,
  makeSignature,
  makeUse,
} from './make-disk.ts';
import { card, unseen, used } from './rule-case.ts';

describe('what the rules let pass', () => {
  const allowed: [string, Disk, Partial<GuardContext>][] = [
    ['an exact fit', makeDisk({ sizeBytes: 1_873_805_312 }), {}],
    ['exactly the size limit', makeDisk(), { policy: makePolicy({ maxSizeBytes: makeDisk().sizeBytes }) }],
    ['a listing, where no image is concerned', makeDisk({ logicalBlockBytes: 4096 }), { image: null }],
    [
      'an image without a table',
      makeDisk({ logicalBlockBytes: 4096 }),
      { image: makeImage({ sectorBytes: null }) },
    ],
    ['an image on tmpfs', card, { image: makeImage({ homeDisks: [] }) }],
    ['an SD card in a slot', makeDisk({ name: 'mmcblk0', kind: 'mmc-sd', removable: false }), {}],
    ['a card in a built-in reader', makeDisk({ usbConnectType: 'hardwired', removable: true }), {}],
    ['a USB stick that calls itself fixed', makeDisk({ removable: false, usbConnectType: 'unknown' }), {}],
    ['facts for show that could not be had', makeDisk({ unseen: unseen(false) }), {}],
    ['the same for the machine', card, { graph: makeGraph([card], { unseen: unseen(false) }) }],
    ['ordinary volumes', makeDisk({ signatures: [makeSignature(), makeSignature({ type: 'ext4' })] }), {}],
    [
      'a table alone',
      makeDisk({ signatures: [makeSignature({ type: null, usage: null, tableType: 'dos' })] }),
      {},
    ],
  ];
  it.each(allowed)('%s', (_title, disk, context) => {
    expect(judgeDisk(disk, makeContext(disk, context))).toEqual({ verdict: 'allowed', findings: [] });
  });

  it('asks once for a mount that other namespaces show too', () => {
    const disk = { ...card, uses: [makeUse(), makeUse({ namespace: 'init' }), makeUse({ namespace: null })] };
    const { verdict, findings } = judgeDisk(disk, makeContext(disk));
    expect(verdict).toBe('needs approval');
    expect(findings.map((f) => f.code)).toEqual(['guard.mounted']);
  });

  it('does not take another mount or another use for the same one', () => {
    for (const twin of [
      makeUse({ what: '/media/other' }),
      makeUse({ on: 'sdb2' }),
      makeUse({ namespace: 'init', options: 'ro' }),
      makeUse({ kind: 'swap' }),
    ]) {
      const partitions = [makePartition('sdb', 1), makePartition('sdb', 2)];
      const disk = makeDisk({ partitions, uses: [twin, makeUse({ namespace: 'init' })] });
      expect(judgeDisk(disk, makeContext(disk)).findings.map((f) => f.code)).toContain(
        'guard.mounted-in-other-namespace',
      );
    }
  });

  it('asks about a whole-disk volume and about mounts inside one another on the same card', () => {
    const uses = [
      makeUse({ on: 'sdb', through: [], what: '/media/a' }),
      makeUse({ on: 'sdb', through: ['sdb'], what: '/media/a/b' }),
    ];
    const disk = makeDisk({ uses });
    const other = makeDisk({
      name: 'sdc',
      uses: [
        makeUse({ on: 'sdc1', what: '/media/ab' }),
        makeUse({ kind: 'swap', on: 'sdc2', what: '/media/a/s' }),
      ],
    });
    const result = judgeDisk(disk, makeContext(disk, { graph: makeGraph([disk, other]) }));
    expect(result.findings.map((f) => f.code)).toEqual(['guard.mounted', 'guard.mounted']);
  });

  it('refuses a mount that carries another, whatever else the other disk is used for', () => {
    const disk = used({ what: '/media/a' });
    const uses = [makeUse({ kind: 'swap', what: '/dev/sdc2' }), makeUse({ what: '/media/a/b' })];
    const graph = makeGraph([disk, makeDisk({ name: 'sdc', uses })]);
    expect(judgeDisk(disk, makeContext(disk, { graph })).verdict).toBe('refused');
  });

  it('asks about a mount beside other disks that nothing uses', () => {
    const disk = used({ what: '/media/a' });
    const graph = makeGraph([disk, makeDisk({ name: 'sdc' })]);
    expect(judgeDisk(disk, makeContext(disk, { graph })).findings.map((f) => f.code)).toEqual([
      'guard.mounted',
    ]);
  });

  it('refuses a mount that is covered by one of another disk at the same place', () => {
    const disk = used({ what: '/media/a' });
    const other = makeDisk({ name: 'sdc', uses: [makeUse({ on: 'sdc1', what: '/media/a' })] });
    const result = judgeDisk(disk, makeContext(disk, { graph: makeGraph([disk, other]) }));
    expect(result.findings.map((f) => f.code)).toEqual(['guard.mount-carries-another']);
  });

  it('reports content that could not be read once, in the words of whoever tried', () => {
    const disk = makeDisk({ signatures: null, unseen: [{ what: 'its content', why: 'EIO', decides: true }] });
    const found = judgeDisk(disk, makeContext(disk)).findings;
    expect(found.map((f) => f.facts.what)).toEqual(['its content']);
    const silent = makeDisk({ signatures: null, unseen: unseen(false) });
    expect(judgeDisk(silent, makeContext(silent)).verdict).toBe('refused');
  });

  it('knows the home of the image by name, node or number', () => {
    for (const home of ['sdb', '/dev/sdb', card.majorMinor]) {
      const result = judgeDisk(card, makeContext(card, { image: makeImage({ homeDisks: [home] }) }));
      expect(result.findings.map((f) => f.code)).toEqual(['guard.image-home']);
    }
  });
});
