import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { describeWith } from '../lab/capabilities.ts';
import { type LoopDisk, withLoopDisk } from '../lab/loop-disk.ts';
import { makeOrchard } from './make-orchard.ts';
import { type TestStation, withStation } from './run-tool.ts';

const mib = 2 ** 20;

interface Bad {
  title: string;
  status: number;
  code: string | RegExp;
  /** the arguments behind the command's name; may prepare things first */
  args(station: TestStation, disk: LoopDisk): Promise<string[]> | string[];
  sizeBytes?: number;
  readOnly?: boolean;
}

const write = async (station: TestStation, disk: LoopDisk, ...more: string[]) => [
  'write',
  station.image,
  disk.node,
  ...more,
  '--confirm',
  await station.codeOf(disk.node),
];

const withNode = (station: TestStation) => ['--plan', station.plan, '--node', 'orchard-02'];

const cases: Bad[] = [
  {
    title: 'a device that is not there',
    status: 2,
    code: /^devices\./,
    args: (s) => ['write', s.image, '/dev/no-such-disk', '--confirm', 'AAAA'],
  },
  {
    title: 'a plain file instead of a disk',
    status: 2,
    code: /^devices\./,
    args: (s) => ['write', s.image, s.plan, '--confirm', 'AAAA'],
  },
  {
    title: 'a card too small by one sector',
    status: 3,
    code: 'job.disk-refused',
    sizeBytes: 40 * mib - 512,
    args: (s, d) => ['write', s.image, d.node, '--confirm', 'AAAA'],
  },
  {
    title: 'a read-only card',
    status: 3,
    code: 'job.disk-refused',
    readOnly: true,
    args: (s, d) => ['write', s.image, d.node, '--confirm', 'AAAA'],
  },
  { title: 'no approval', status: 9, code: 'usage.no-terminal', args: (s, d) => ['write', s.image, d.node] },
  {
    title: 'a wrong approval code',
    status: 9,
    code: 'guard.approval-wrong',
    args: (s, d) => ['write', s.image, d.node, '--confirm', 'ZZZZ'],
  },
  {
    title: 'a stale approval code',
    status: 9,
    code: 'guard.approval-wrong',
    async args(station, disk) {
      const args = await write(station, disk);
      await disk.changeCard();
      return args;
    },
  },
  {
    title: 'an unreadable image',
    status: 4,
    code: /^image\./,
    args: (s, d) => ['write', join(s.folder, 'nothing.img'), d.node, '--confirm', 'AAAA'],
  },
  {
    title: 'a truncated container',
    status: 4,
    code: /^image\./,
    args(station, disk) {
      execFileSync('xz', ['-0', '-k', station.image]);
      fs.truncateSync(`${station.image}.xz`, fs.statSync(`${station.image}.xz`).size - 100);
      return ['write', `${station.image}.xz`, disk.node, '--confirm', 'AAAA'];
    },
  },
  {
    title: 'an incomplete image',
    status: 4,
    code: /^image\./,
    args(station, disk) {
      fs.truncateSync(station.image, 30 * mib);
      return ['write', station.image, disk.node, '--confirm', 'AAAA'];
    },
  },
  {
    title: 'a wrong checksum',
    status: 4,
    code: /^image\./,
    args: (s, d) => write(s, d, '--sha256', 'ab'.repeat(32)),
  },
  {
    title: 'a plan with several mistakes',
    status: 2,
    code: 'plan.mistakes',
    args(station, disk) {
      fs.writeFileSync(
        station.plan,
        'plan: 1\nset: orchard\ncolour: red\naccess: { user: Root }\nnodes: [{ name: "-x" }, { name: "-x" }]\n',
      );
      return ['write', station.image, disk.node, ...withNode(station), '--confirm', 'AAAA'];
    },
  },
  {
    title: 'a node that the plan does not have',
    status: 2,
    code: 'plan.no-such-node',
    args: (s, d) => ['write', s.image, d.node, '--plan', s.plan, '--node', 'orchard-99'],
  },
  {
    title: 'an unknown option',
    status: 2,
    code: 'usage.unknown-option',
    args: (s, d) => ['write', s.image, d.node, '--force'],
  },
  { title: 'a missing argument', status: 2, code: 'usage.missing-argument', args: (s) => ['write', s.image] },
  { title: 'an unknown command', status: 2, code: 'usage.unknown-command', args: () => ['copy'] },
  {
    title: 'a card that no record speaks of',
    status: 10,
    code: 'job.no-finished-record',
    args: (_, d) => ['verify', d.node],
  },
  {
    title: 'personalizing a card that nobody wrote',
    status: 10,
    code: 'job.no-finished-record',
    args: async (s, d) => ['personalize', d.node, ...withNode(s), '--confirm', await s.codeOf(d.node)],
  },
];

describeWith(['loop', 'tmpfs-direct-io'], 'bad input', { timeoutMs: 60_000 }, () => {
  it.each(cases)(
    '$title: clear error, exit $status, the disk untouched',
    ({ args, status, code, sizeBytes = 64 * mib, readOnly = false }) =>
      withLoopDisk({ sizeBytes, backing: 'tmpfs', readOnly }, (disk) =>
        withStation([disk.node], makeOrchard, async (station) => {
          const given = await args(station, disk);
          const before = await disk.sha256OfMedium();
          const end = await station.run(...given);
          expect(end.status, end.stdout + end.stderr).toBe(status);
          expect(String(end.lines.at(-1)?.code)).toMatch(code);
          expect(String(end.lines.at(-1)?.next)).not.toBe('');
          expect(await disk.sha256OfMedium()).toBe(before);
          expect(fs.existsSync(join(station.folder, 'store', 'records.db-journal'))).toBe(false);
          // No half-open claim is left.
          if (!readOnly) fs.closeSync(fs.openSync(disk.node, fs.constants.O_RDWR | fs.constants.O_EXCL));
        }),
      ),
  );

  it('reports every mistake of a plan at once, with line and column', () =>
    withLoopDisk({ sizeBytes: 64 * mib, backing: 'tmpfs' }, (disk) =>
      withStation([disk.node], makeOrchard, async (station) => {
        fs.writeFileSync(
          station.plan,
          'plan: 1\nset: orchard\ncolour: red\naccess: { user: Root }\nnodes: [{ name: "-x" }, { name: "-x" }]\n',
        );
        const { lines } = await station.run('plan', '--check', station.plan);
        const findings = lines.at(-1)?.findings as { facts: { line: number; column: number } }[];
        expect(findings.length).toBeGreaterThanOrEqual(4);
        for (const { facts } of findings) expect(facts.line >= 1 && facts.column >= 1).toBe(true);
      }),
    ));
});
