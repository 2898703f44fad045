import * as fs from 'node:fs';
import { join } from 'node:path';
import { Validator } from '@seriousme/openapi-schema-validator';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { makeOrchard } from '../e2e/make-orchard.ts';
import type { ToolEnd } from '../e2e/run-tool.ts';
import { describeWith } from '../lab/capabilities.ts';
import { withLoopDisk } from '../lab/loop-disk.ts';
import { ask, type DaemonStation, withDaemon } from './daemon-process.ts';

/** Other disks of the machine may come and go meanwhile; codes are never the same twice through the daemon. */
function comparable({ lines, stdout }: ToolEnd, node: string): unknown {
  const disks = lines.at(-1)?.disks as { node: string; code: unknown }[] | undefined;
  return disks
    ? disks.filter((disk) => disk.node === node).map((disk) => ({ ...disk, code: 'CODE' }))
    : stdout;
}

describeWith(['loop', 'tmpfs-direct-io'], 'looking through the daemon', { timeoutMs: 300_000 }, () => {
  // One daemon serves all of these: starting one takes longer than most of them.
  let end: () => void = () => undefined;
  let served: Promise<void>;
  let kit: { station: DaemonStation; node: string };
  beforeAll(async () => {
    await new Promise<void>((resolve, reject) => {
      served = withLoopDisk({ sizeBytes: 64 * 2 ** 20, backing: 'tmpfs' }, (disk) =>
        withDaemon([disk.node], makeOrchard, async (station) => {
          kit = { station, node: disk.node };
          resolve();
          await new Promise<void>((leave) => {
            end = leave;
          });
        }),
      );
      served.catch(reject);
    });
  }, 120_000);
  afterAll(async () => {
    end();
    await served;
  }, 60_000);
  const onLoop = (body: (station: DaemonStation, node: string) => Promise<void>) =>
    body(kit.station, kit.node);

  it('says what this process itself would say, with the same exit status', () =>
    onLoop(async (station, node) => {
      for (const args of [
        ['devices'],
        ['devices', '--all'],
        ['identify', node],
        ['records'],
        ['records', '7'],
        ['records', '--check'],
        ['records', '--last', '1'],
      ]) {
        const there = await station.run(...args);
        const here = await station.direct(...args);
        expect(comparable(there, node), args.join(' ')).toEqual(comparable(here, node));
        expect(Object.keys(there.lines.at(-1) ?? {})).toEqual(Object.keys(here.lines.at(-1) ?? {}));
        expect(there.status, args.join(' ')).toBe(here.status);
      }
      const asked = station.daemon.log().filter((line) => line.msg === 'request');
      expect(asked.map((line) => line.what)).toContain('GET /v1/devices');
      const mixed = await station.run('devices', '--policy', join(station.folder, 'policy.yaml'));
      expect(mixed.status).toBe(2);
      expect(mixed.lines.at(-1)).toMatchObject({ code: 'usage.conflicting-options' });
    }));

  it('gives each right a socket for its own group, in a folder for those who may look', () =>
    onLoop(async ({ daemon: { runtime } }, node) => {
      const mode = (path: string) => (fs.statSync(path).mode & 0o7777).toString(8);
      expect(mode(runtime)).toBe('750');
      for (const right of ['look', 'write', 'administer'])
        expect(mode(join(runtime, `${right}.sock`))).toBe('660');
      // The station's own is the front's alone.
      expect(mode(`${runtime}-station`)).toBe('700');
      expect(mode(join(`${runtime}-station`, 'station.sock'))).toBe('600');

      const codesOn = async (right: string) => {
        const { value } = await ask(join(runtime, `${right}.sock`), 'GET', '/v1/devices');
        const { graph, looks } = value as {
          graph: { disks: { node: string }[] };
          looks: { code: string | null }[];
        };
        return looks[graph.disks.findIndex((disk) => disk.node === node)]?.code;
      };
      expect(await codesOn('look')).toBeNull();
      expect(await codesOn('write')).toMatch(/^[2-9A-Y]{4}$/);
    }));

  it('serves a description of itself that is one, and answers as it says', () =>
    onLoop(async ({ daemon: { runtime } }) => {
      const socket = join(runtime, 'administer.sock');
      const { value: description } = await ask(socket, 'GET', '/v1/openapi.json');
      // OpenAPI Specification 3.1.0, by its published JSON Schema.
      const result = await new Validator().validate(structuredClone(description));
      expect(result.errors ?? []).toEqual([]);
      expect(result.valid).toBe(true);
      const paths = Object.keys(description.paths as object);
      expect(paths).toContain('/v1/devices');
      for (const path of paths.filter((one) => !one.includes('{'))) {
        const { get } = (description.paths as Record<string, { get?: unknown }>)[path] ?? {};
        if (get) expect((await ask(socket, 'GET', path)).status, path).toBe(200);
      }
    }));

  it('runs the front as nobody, with no disk and no right to one; and ends with its sockets gone', () =>
    onLoop(async ({ daemon }) => {
      const children = fs
        .readFileSync(`/proc/${daemon.child.pid}/task/${daemon.child.pid}/children`, 'utf8')
        .trim()
        .split(' ');
      const front =
        children.find((pid) => fs.readFileSync(`/proc/${pid}/cmdline`, 'utf8').includes('\0-\0')) ?? '';
      const status = fs.readFileSync(`/proc/${front}/status`, 'utf8');
      expect(status).not.toMatch(/^Uid:\s+0\s/m);
      // proc(5): every capability set is empty, and none can be gained.
      expect(status).toMatch(/^CapPrm:\s+0{16}$/m);
      expect(status).toMatch(/^CapBnd:\s+0{16}$/m);
      expect(status).toMatch(/^NoNewPrivs:\s+1$/m);
      expect(status).toMatch(/^Groups:\s*$/m);
      const open = fs.readdirSync(`/proc/${front}/fd`).flatMap((fd) => {
        try {
          return [fs.readlinkSync(`/proc/${front}/fd/${fd}`)];
        } catch {
          // Closed since it was listed.
          return [];
        }
      });
      expect(open.filter((path) => path.startsWith('/dev/') && path !== '/dev/null')).toEqual([]);
      expect(await daemon.stop()).toBe(0);
      expect(fs.readdirSync(daemon.runtime)).toEqual([]);
      expect(fs.existsSync(`/proc/${front}`)).toBe(false);
    }));
});
