/** A plan that an image's first boot cannot carry, by each command that would act on it: refused, nothing written. */
import * as fs from 'node:fs';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { parse, stringify } from 'yaml';
import { makeVolume } from '../../src/rehearsal/format-volume.ts';
import { makeRehearsalPlan } from '../../src/rehearsal/make-plan.ts';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { describeWith } from '../lab/capabilities.ts';
import { withLoopDisk } from '../lab/loop-disk.ts';
import { type TestStation, withStation } from './run-tool.ts';
import { smallImage, usualShape } from './small-image.ts';

const mib = 2 ** 20;
const markers = { 'config.txt': '# settings\n', 'cmdline.txt': 'console=tty1 rootwait\n' };
const bootFiles: Record<string, Record<string, string>> = {
  'marker files': markers,
  nothing: { 'kernel.img': 'k'.repeat(1000) },
};

/** An image whose boot volume holds these files, and a plan of two nodes with a key and host keys. */
async function prepare(
  folder: string,
  files: Record<string, string>,
): Promise<{ image: string; plan: string }> {
  await loadFat();
  const bytes = smallImage(usualShape);
  bytes.set(makeVolume(usualShape.bootBytes, files), usualShape.bootStart);
  const image = join(folder, 'node-os.img');
  fs.writeFileSync(image, bytes);
  return { image, plan: makeRehearsalPlan(folder, 2, 'node-os.img') };
}

function changePlan(station: TestStation, change: (plan: Record<string, unknown>) => void): void {
  const plan = parse(fs.readFileSync(station.plan, 'utf8')) as Record<string, unknown>;
  change(plan);
  fs.writeFileSync(station.plan, stringify(plan));
}

const expected = {
  'marker files': {
    code: 'identity.mechanism-cannot-carry',
    what: /asks for authorized keys, a static address, host keys made here.*\(marker files\)/,
  },
  nothing: { code: 'identity.no-way-in', what: /neither user-data and meta-data nor marker files/ },
} as const;

describeWith(
  ['loop', 'tmpfs-direct-io'],
  'a plan that the image cannot carry',
  { timeoutMs: 120_000 },
  () => {
    it.each(Object.keys(expected) as (keyof typeof expected)[])('is refused by every command: %s', (kind) =>
      withLoopDisk({ sizeBytes: 16 * mib, backing: 'tmpfs' }, (disk) =>
        withStation(
          [disk.node],
          (folder) => prepare(folder, bootFiles[kind] ?? {}),
          async (station) => {
            const before = await disk.sha256OfMedium();
            const node = ['--plan', station.plan, '--node', 'orchard-01'];
            const commands = [
              ['write', station.image, disk.node, ...node, '--confirm', await station.codeOf(disk.node)],
              ['inspect', station.image, ...node],
              ['plan', '--check', station.plan],
            ];
            for (const command of commands) {
              const end = await station.run(...command);
              expect([command[0], end.status], end.stdout + end.stderr).toEqual([command[0], 8]);
              expect(end.lines.at(-1)).toMatchObject({
                code: expected[kind].code,
                what: expect.stringMatching(expected[kind].what),
              });
              expect(String(end.lines.at(-1)?.next)).toMatch(/use an image that takes NoCloud files/i);
            }
            const { lines } = await station.run('plan', '--check', station.plan);
            const findings = lines.at(-1)?.findings as { facts: { node: string } }[];
            expect(findings.map(({ facts }) => facts.node)).toEqual(['orchard-01', 'orchard-02']);
            expect(await disk.sha256OfMedium()).toBe(before);
          },
        ),
      ),
    );

    it('is refused for a card that was written before, which stays as it is', () =>
      withLoopDisk({ sizeBytes: 16 * mib, backing: 'tmpfs' }, (disk) =>
        withStation(
          [disk.node],
          (folder) => prepare(folder, markers),
          async (station) => {
            changePlan(station, (plan) => {
              plan.hostKeys = 'image';
              plan.access = {
                user: 'grower',
                passwordHash:
                  '$6$saltstring$svn8UoSVapNtMuq1ukKS4tPQd8iKwSMHWjl/O817G3uBnIFNjnQJuesI68u4OTLiBFdcbYEdFCoEOfaS35inz1',
              };
              plan.nodes = [{ name: 'orchard-01' }, { name: 'orchard-02', address: '192.0.2.12/24' }];
            });
            const withNode = async (name: string) => [
              '--plan',
              station.plan,
              '--node',
              name,
              '--confirm',
              await station.codeOf(disk.node),
            ];
            const written = await station.run(
              'write',
              station.image,
              disk.node,
              ...(await withNode('orchard-01')),
            );
            expect(written.status, written.stdout + written.stderr).toBe(0);
            const before = await disk.sha256OfMedium();
            const end = await station.run('personalize', disk.node, ...(await withNode('orchard-02')));
            expect(end.status, end.stdout + end.stderr).toBe(8);
            expect(end.lines.at(-1)).toMatchObject({
              code: 'identity.mechanism-cannot-carry',
              card: 'untouched',
            });
            expect(await disk.sha256OfMedium()).toBe(before);
            expect((await station.run('verify', disk.node)).status).toBe(0);
          },
        ),
      ));
  },
);
