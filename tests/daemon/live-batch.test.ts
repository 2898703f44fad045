import { expect, it } from 'vitest';
import { makeOrchard } from '../e2e/make-orchard.ts';
import { describeWith } from '../lab/capabilities.ts';
import { withLoopDisk } from '../lab/loop-disk.ts';
import { comparableLines } from './both-ways.ts';
import { withDaemon } from './daemon-process.ts';

const mib = 2 ** 20;

describeWith(['loop', 'tmpfs-direct-io'], 'a batch through the daemon', { timeoutMs: 300_000 }, () => {
  it('goes as it does in a process of one’s own, by the code that was shown before', () =>
    withLoopDisk({ sizeBytes: 96 * mib, backing: 'tmpfs', content: 'zeros' }, (disk) =>
      withDaemon([disk.node], makeOrchard, async (station) => {
        const only = ['--only', 'orchard-01', '--only', 'orchard-02'];
        const batch = (code: string) => ['batch', station.plan, ...only, '--confirm', `${disk.node}=${code}`];
        const changing = async (tool: ReturnType<typeof station.start>) => {
          await tool.seen(({ type, node }) => type === 'card-done' && node === 'orchard-01');
          await disk.changeCard({ content: 'zeros' });
          return tool.end;
        };
        const there = await changing(station.start(...batch(await station.codeOf(disk.node))));
        expect(there.status, there.stdout + there.stderr).toBe(0);
        expect((await station.run('batch', station.plan, ...only)).status).toBe(10);

        // The same set once more, past the daemon, on the same records.
        const again = only.map((word) => (word === '--only' ? '--again' : word));
        await disk.changeCard({ content: 'zeros' });
        const { lines } = await station.direct('devices');
        const disks = (lines.at(-1)?.disks ?? []) as { node: string; code: string }[];
        const code = disks.find(({ node }) => node === disk.node)?.code ?? '';
        const here = await changing(
          station.startDirect('batch', station.plan, ...again, '--confirm', `${disk.node}=${code}`),
        );
        expect(here.status, here.stdout + here.stderr).toBe(0);
        expect(comparableLines(there)).toEqual(comparableLines(here));
      }),
    ));
});
