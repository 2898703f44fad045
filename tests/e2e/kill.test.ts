import * as fs from 'node:fs';
import { expect, it } from 'vitest';
import { describeWith } from '../lab/capabilities.ts';
import { type LoopDisk, withLoopDisk } from '../lab/loop-disk.ts';
import { expectFree } from './lying-media.ts';
import { makeOrchard } from './make-orchard.ts';
import { type TestStation, withStation } from './run-tool.ts';

const mib = 2 ** 20;

type Line = Record<string, unknown>;
const begins = (phase: string) => (line: Line) =>
  line.type === 'phase' && line.phase === phase && line.state === 'begin';
const ends = (phase: string) => (line: Line) =>
  line.type === 'phase' && line.phase === phase && line.state === 'end';

/** Moments at which the job is killed: everything between the first cleared byte and the seal. */
const moments: [string, (line: Line) => boolean][] = [
  ['after the head came off', ends('head-off')],
  ['in the probe', begins('probe')],
  ['as the writing begins', begins('write')],
  [
    'in the middle of the writing',
    (line) => line.type === 'progress' && line.phase === 'write' && Number(line.doneBytes) > 8 * mib,
  ],
  ['as the node files go on', begins('personalize')],
  ['as the reading back begins', begins('verify')],
  ['after everything was read back', ends('verify')],
];

async function startWrite(station: TestStation, disk: LoopDisk) {
  const code = await station.codeOf(disk.node);
  const args = ['--plan', station.plan, '--node', 'orchard-02', '--confirm', code];
  return station.start('write', station.image, disk.node, ...args);
}

describeWith(['loop', 'tmpfs-direct-io'], 'a job that is killed', { timeoutMs: 120_000 }, () => {
  it.each(moments)(
    '%s: the first MiB reads as zeros from the medium, and the same command ends "done"',
    (_, moment) =>
      withLoopDisk({ sizeBytes: 64 * mib, backing: 'tmpfs' }, (disk) =>
        withStation([disk.node], makeOrchard, async (station) => {
          const job = await startWrite(station, disk);
          await job.seen(moment);
          job.child.kill('SIGKILL');
          await job.end;
          await expectFree(disk.node);
          expect((await disk.readMedium(0, mib)).every((byte) => byte === 0)).toBe(true);
          const record = await station.run('records', '1');
          expect(record.lines.at(-1)).toMatchObject({ state: 'interrupted', cardState: 'unbootable' });
          const again = await (await startWrite(station, disk)).end;
          expect(again.status, again.stdout + again.stderr).toBe(0);
        }),
      ),
  );

  it('between the seal and the record: "unconfirmed", which verify settles one way or the other', () =>
    withLoopDisk({ sizeBytes: 64 * mib, backing: 'tmpfs' }, (disk) =>
      withStation([disk.node], makeOrchard, async (station) => {
        const job = await startWrite(station, disk);
        await job.seen(begins('seal'));
        // The record says "sealing" before the first byte of the head goes out.
        const store = new (await import('better-sqlite3')).default(station.records, { readonly: true });
        while (store.prepare('SELECT state FROM jobs').pluck().get() === 'running')
          await new Promise(setImmediate);
        const state = store.prepare('SELECT state FROM jobs').pluck().get();
        job.child.kill('SIGKILL');
        await job.end;
        store.close();
        await expectFree(disk.node);
        const record = (await station.run('records', '1')).lines.at(-1);
        expect(record?.state).toBe(state === 'done' ? 'done' : 'unconfirmed');
        const head = await disk.readMedium(0, 512);
        const verified = await station.run('verify', disk.node, '--record', '1');
        expect(verified.status).toBe(head.readUInt16BE(510) === 0x55aa ? 0 : 6);
      }),
    ));

  it('when its worker is killed: the claim is given back, the card does not boot, the record says "failed"', () =>
    withLoopDisk({ sizeBytes: 64 * mib, backing: 'tmpfs' }, (disk) =>
      withStation([disk.node], makeOrchard, async (station) => {
        const job = await startWrite(station, disk);
        await job.seen(begins('write'));
        // Held still, so that the job cannot end before its worker is found.
        job.child.kill('SIGSTOP');
        const children = fs
          .readFileSync(`/proc/${job.child.pid}/task/${job.child.pid}/children`, 'utf8')
          .trim()
          .split(' ');
        const worker = children.find((pid) => fs.readlinkSync(`/proc/${pid}/fd/4`) === disk.node);
        process.kill(Number(worker), 'SIGKILL');
        job.child.kill('SIGCONT');
        const end = await job.end;
        expect(end.status).toBe(5);
        expect(end.lines.at(-1)).toMatchObject({
          type: 'not-done',
          code: 'job.worker-died',
          card: 'unbootable',
        });
        await expectFree(disk.node);
        expect((await disk.readMedium(0, mib)).every((byte) => byte === 0)).toBe(true);
        expect((await station.run('records', '1')).lines.at(-1)).toMatchObject({ state: 'failed' });
      }),
    ));

  it('cancelled from the keyboard: answers within a second and says what the card is', () =>
    withLoopDisk({ sizeBytes: 64 * mib, backing: 'tmpfs' }, (disk) =>
      withStation([disk.node], makeOrchard, async (station) => {
        const job = await startWrite(station, disk);
        await job.seen(begins('write'));
        const asked = Date.now();
        job.child.kill('SIGINT');
        const end = await job.end;
        expect(Date.now() - asked).toBeLessThan(1000);
        expect(end.status).toBe(130);
        expect(end.lines.at(-1)).toMatchObject({
          type: 'not-done',
          code: 'job.cancelled',
          card: 'unbootable',
        });
        expect((await disk.readMedium(0, mib)).every((byte) => byte === 0)).toBe(true);
        expect((await station.run('records', '1')).lines.at(-1)).toMatchObject({ state: 'cancelled' });
      }),
    ));
});
