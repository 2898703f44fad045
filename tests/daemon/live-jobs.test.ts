import * as fs from 'node:fs';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { makeOrchard } from '../e2e/make-orchard.ts';
import type { ToolEnd } from '../e2e/run-tool.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type LoopDisk, withLoopDisk } from '../lab/loop-disk.ts';
import { comparableLines } from './both-ways.ts';
import { type DaemonStation, withDaemon } from './daemon-process.ts';

const mib = 2 ** 20;

const withCard = (body: (station: DaemonStation, disk: LoopDisk) => Promise<void>, more = {}) =>
  withLoopDisk({ sizeBytes: 96 * mib, backing: 'tmpfs', content: 'zeros' }, (disk) =>
    withDaemon([disk.node], makeOrchard, (station) => body(station, disk), more),
  );

describeWith(['loop', 'tmpfs-direct-io'], 'jobs through the daemon', { timeoutMs: 300_000 }, () => {
  it('go as they do in a process of one’s own: the same lines, exit status and record', () =>
    withCard(async (station, { node, changeCard }) => {
      const { image, plan } = station;
      const directCode = async () => {
        const { lines } = await station.direct('devices');
        const disks = (lines.at(-1)?.disks ?? []) as { node: string; code: string | null }[];
        return disks.find((disk) => disk.node === node)?.code ?? '';
      };
      const forNode = (name: string) => ['--plan', plan, '--node', name];
      /** One command both ways, each on a card that is as the other's was. */
      const bothWays = async (prepare: () => Promise<unknown>, words: (code: string) => string[]) => {
        await prepare();
        const here: ToolEnd = await station.direct(...words(await directCode()));
        await prepare();
        const there: ToolEnd = await station.run(...words(await station.codeOf(node)));
        const label = words('CODE').join(' ');
        expect(comparableLines(there), label + there.stderr).toEqual(comparableLines(here));
        expect(there.status, label).toBe(here.status);
        return there;
      };
      const blank = () => changeCard({ content: 'zeros' });
      const asItIs = async () => undefined;
      const write = (code: string) => ['write', image, node, ...forNode('orchard-02'), '--confirm', code];

      expect((await bothWays(blank, write)).status).toBe(0);
      expect((await bothWays(asItIs, () => ['verify', node])).status).toBe(0);
      expect((await bothWays(asItIs, () => ['verify', node, '--image', image])).status).toBe(6);
      const again = [node, ...forNode('orchard-03')];
      expect((await bothWays(asItIs, () => ['personalize', ...again, '--dry-run'])).status).toBe(0);
      expect((await bothWays(asItIs, (code) => ['personalize', ...again, '--confirm', code])).status).toBe(0);
      expect((await bothWays(asItIs, () => ['write', image, node, '--confirm', 'ZZZZ'])).status).toBe(9);
      expect((await bothWays(asItIs, () => ['write', image, node])).status).toBe(9);
      expect(
        (await bothWays(asItIs, () => ['write', image, '/dev/nothing', '--confirm', 'ZZZZ'])).status,
      ).toBe(2);
      expect((await bothWays(blank, () => ['verify', node])).status).not.toBe(0);

      const { lines } = await station.run('records', '--set', 'orchard');
      const records = (lines.at(-1)?.records ?? []) as {
        state: string;
        node: string;
        image: { path: string };
      }[];
      expect(records.filter(({ state }) => state === 'done')).toHaveLength(4);
      expect(new Set(records.map(({ image: one }) => one.path))).toEqual(new Set([image]));
      // Nothing of a client's path was opened; what was sent is the front's own.
      const senders = fs.readdirSync(join(station.folder, 'uploads'));
      expect(senders).toHaveLength(1);
    }));
});
