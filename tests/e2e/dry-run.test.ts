/** What a dry run says, held against the edit that follows; on a real block device. */
import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import { setTimeout } from 'node:timers/promises';
import { expect, it } from 'vitest';
import { describeWith } from '../lab/capabilities.ts';
import { withLoopDisk } from '../lab/loop-disk.ts';
import { makeOrchard } from './make-orchard.ts';
import { withStation } from './run-tool.ts';

const mib = 2 ** 20;
const sectorBytes = 512;

interface Shown {
  files: { path: string; change: string; diff: string | null; hidden: string | null }[];
  sectors: { first: number; count: number }[];
}

const tools = ['loop', 'tmpfs-direct-io', 'program:mtype'] as const;

describeWith(tools, 'a dry run', { timeoutMs: 120_000 }, () => {
  it('writes nothing, shows no secret, and names every file and sector that the edit then changes', () =>
    withLoopDisk({ sizeBytes: 64 * mib, backing: 'tmpfs' }, (disk) =>
      withStation([disk.node], makeOrchard, async (station) => {
        const node = (name: string) => ['--plan', station.plan, '--node', name];
        const confirm = async () => ['--confirm', await station.codeOf(disk.node)];
        const write = ['write', station.image, disk.node, ...node('orchard-02'), ...(await confirm())];
        expect((await station.run(...write)).status).toBe(0);
        // FAT counts time by two seconds: within the same two, a folder made anew would be just as it was.
        await setTimeout(2100);
        const before = fs.readFileSync(disk.backingPath);

        const dry = await station.run('personalize', disk.node, ...node('orchard-01'), '--dry-run');
        expect(dry.status, dry.stdout + dry.stderr).toBe(0);
        expect(fs.readFileSync(disk.backingPath).equals(before)).toBe(true);
        expect((await station.run('records', '2')).status).not.toBe(0);
        const shown = dry.lines.at(-1) as unknown as Shown;
        const diffOf = (path: string) => shown.files.find((file) => file.path === path)?.diff ?? '';
        expect(diffOf('network-config')).toMatch(/^-.*192\.0\.2\.12\/24/m);
        expect(diffOf('network-config')).toMatch(/^\+.*192\.0\.2\.11\/24/m);
        expect(diffOf('user-data')).toMatch(/^-hostname: "orchard-02"$/m);
        const ownKey = /ed25519_private: \|\n([\s\S]*?)-----END/.exec(
          execFileSync('mtype', ['-i', `${disk.backingPath}@@${4 * mib}`, '::user-data'], {
            encoding: 'utf8',
          }),
        )?.[1];
        const keyLines = (ownKey ?? '')
          .split('\n')
          .map((line) => line.trim())
          .filter((line) => line.length > 40 && !line.startsWith('-'));
        expect(keyLines.length).toBeGreaterThan(2);
        for (const line of keyLines) expect(dry.stdout).not.toContain(line);

        const edit = ['personalize', disk.node, ...node('orchard-01'), ...(await confirm())];
        expect((await station.run(...edit)).status).toBe(0);
        const after = fs.readFileSync(disk.backingPath);
        const named = new Set(
          shown.sectors.flatMap(({ first, count }) => Array.from({ length: count }, (_, at) => first + at)),
        );
        const changed = Array.from({ length: after.length / sectorBytes }, (_, sector) => sector).filter(
          (sector) => {
            const place = [sector * sectorBytes, (sector + 1) * sectorBytes] as const;
            return !after.subarray(...place).equals(before.subarray(...place));
          },
        );
        expect(changed.length).toBeGreaterThan(3);
        expect(changed.filter((sector) => !named.has(sector))).toEqual([]);
        for (const { path, change } of shown.files) {
          const read = (medium: Buffer) => {
            const copy = join(station.folder, 'medium');
            fs.writeFileSync(copy, medium.subarray(4 * mib, 24 * mib));
            return execFileSync('mtype', ['-i', copy, `::${path}`], { encoding: 'latin1' });
          };
          expect(change, path).toBe('changed');
          expect(read(after), path).not.toBe(read(before));
        }
      }),
    ));

  it('is refused as the edit would be, on a card that nobody has a record of', () =>
    withLoopDisk({ sizeBytes: 64 * mib, backing: 'tmpfs' }, (disk) =>
      withStation([disk.node], makeOrchard, async (station) => {
        const args = ['--plan', station.plan, '--node', 'orchard-01', '--dry-run'];
        const end = await station.run('personalize', disk.node, ...args);
        expect(end.lines.at(-1)).toMatchObject({
          type: 'error',
          code: 'job.no-finished-record',
          card: 'untouched',
        });
      }),
    ));
});
