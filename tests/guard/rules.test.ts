import { describe, expect, it } from 'vitest';
import { describeFinding, finding } from '../../src/contract/finding.ts';
import { diskVerdict } from '../../src/contract/verdict.ts';
import { guardRules, judgeDisk } from '../../src/guard/judge-disk.ts';
import { refuseBootAreas } from '../../src/guard/rules/boot-area.ts';
import { requireOwnLoopStorage } from '../../src/guard/rules/loop-storage.ts';
import { fitCases } from './fit-cases.ts';
import { kindCases } from './kind-cases.ts';
import { makeContext, makeDisk, makeGraph, makeLoop } from './make-disk.ts';
import { card, judge, used } from './rule-case.ts';
import { useCases } from './use-cases.ts';

const cases = [...useCases, ...kindCases, ...fitCases];

describe('every rule stops a disk that no other rule stops', () => {
  it('lets a plain card pass without a word', () => {
    expect(judgeDisk(card, makeContext(card))).toEqual({ verdict: 'allowed', findings: [] });
  });

  it.each(cases)('a disk that $title: $code', (c) => {
    const { verdict, findings } = judge(c);
    expect(verdict).toBe(c.verdict ?? 'refused');
    const stopping = findings.filter((f) => f.severity !== 'note');
    expect(stopping.map((f) => f.code)).toEqual([c.code]);
    // Every place in the sentence is filled: the evidence is in it.
    expect(describeFinding(stopping[0]!)).not.toMatch(/[{}]|null|undefined/);

    const others = guardRules.filter((rule) => rule !== c.rule);
    expect(others).toHaveLength(guardRules.length - 1);
    expect(judge(c, others).verdict).toBe('allowed');
  });

  it('has a case for every rule', () => {
    expect(new Set(cases.map((c) => c.rule))).toEqual(new Set(guardRules));
  });
});

describe('what the rules say', () => {
  it('gives the stack as evidence', () => {
    const [found] = judge(useCases[0]!).findings;
    expect(describeFinding(found!)).toContain('holds / through sdb1 → vg0-root');
  });

  it('names the partition where no stack is told', () => {
    const disk = used({ kind: 'swap', what: '/dev/sdb1', through: [] });
    expect(judgeDisk(disk, makeContext(disk)).findings[0]?.facts).toMatchObject({ through: 'sdb1' });
  });

  it('says by how many bytes a card is too small', () => {
    const disk = makeDisk({ sizeBytes: 1_000_000_000 });
    const [found] = judgeDisk(disk, makeContext(disk)).findings;
    expect(describeFinding(found!)).toContain('too small by 873,805,312 bytes');
  });

  it('names the file system of a plain mount', () => {
    const disk = used({});
    const [found] = judgeDisk(disk, makeContext(disk)).findings;
    expect(describeFinding(found!)).toContain('sdb1 (vfat) at /media/grower/BOOT');
  });

  it('calls a disk of one byte small, not absent', () => {
    const disk = makeDisk({ sizeBytes: 1 });
    const { findings } = judgeDisk(disk, makeContext(disk));
    expect(findings.map((f) => f.code)).toEqual(['guard.too-small']);
  });

  // Names after the kernel's mmc-dev-parts; the others begin or end otherwise.
  it.each([
    ['mmcblk0boot0', true],
    ['mmcblk12rpmb', true],
    ['mmcblk0gp3', true],
    ['mmcblk0', false],
    ['xmmcblk0boot0', false],
    ['mmcblk0boots', false],
  ])('%s is a boot area by its name: %j', (name, isOne) => {
    expect(refuseBootAreas(makeDisk({ name, kind: 'mmc-sd' })).length).toBe(isOne ? 1 : 0);
  });

  it('knows a disk behind a loop device by its node, wherever that lies', () => {
    const loop = makeLoop({ backingFile: '/srv/nodes/disk' });
    const graph = makeGraph([loop, makeDisk({ node: '/srv/nodes/disk' })]);
    const codes = requireOwnLoopStorage(loop, makeContext(loop, { graph })).map((f) => f.code);
    expect(codes).toEqual(['guard.loop-over-disk']);
  });

  it('a finding of a failure refuses as well', () => {
    expect(diskVerdict([finding('job.mismatch', 'fail')])).toBe('refused');
  });

  it('escapes what foreign text it repeats', () => {
    const disk = used({ what: '/media/\u001b[2Jx', fsType: null });
    const [found] = judgeDisk(disk, makeContext(disk)).findings;
    expect(describeFinding(found!)).toContain('sdb1 (unknown type) at /media/\\x1b[2Jx');
  });
});
