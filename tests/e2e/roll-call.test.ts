/**
 * The roll call against real servers: OpenSSH's sshd and avahi-daemon, each in a network of the lab's own, on addresses
 * kept for documentation (RFC 5737). What it writes is judged by the programs that read it: ssh, ssh-keygen,
 * ansible-inventory.
 */
import { spawn } from 'node:child_process';
import { join } from 'node:path';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { describeWith } from '../lab/capabilities.ts';
import { Cleanup, makeWorkFolder } from '../lab/cleanup.ts';
import { addBenchNode, type BenchNode } from '../lab/node-network.ts';
import { type BenchNetwork, makeBenchNetwork } from '../lab/real-image/bench-network.ts';
import { layOutOrchard, type Orchard } from './roll-call-orchard.ts';
import { launcher } from './run-tool.ts';

const tools = [
  'bench-network',
  'program:sshd',
  'program:avahi-daemon',
  'program:ssh-keygen',
  'program:ssh',
  'program:ansible-inventory',
] as const;

/** Who sits where; the rest of the story is in beforeAll. */
const nodes = [
  { name: 'orchard-01', slot: 'A1', address: '192.0.2.11' },
  { name: 'orchard-02', slot: 'A2', address: '192.0.2.12', role: 'gate' },
  { name: 'orchard-03', slot: 'A3', address: '192.0.2.13' },
  { name: 'orchard-04', slot: 'A4', address: '192.0.2.14' },
  { name: 'orchard-05', slot: 'A5', address: '192.0.2.15' },
  { name: 'orchard-06', slot: 'A6', address: '192.0.2.16' },
  { name: 'orchard-07', slot: 'A7', address: '192.0.2.17' },
  { name: 'orchard-08', slot: 'B1', address: '192.0.2.18' },
  { name: 'orchard-09', slot: 'B2' },
  { name: 'orchard-10', slot: 'B3' },
  { name: 'orchard-11', slot: 'B4', address: '192.0.2.21' },
  { name: 'orchard-12', slot: 'B5', address: '192.0.2.22' },
];

/** Opens every connection and says nothing, or says the same for ever. */
const mute = `require('node:net').createServer(() => {}).listen(22)`;
const flood = `require('node:net').createServer((s) => {
  const go = () => { while (s.write('\\u001b[2JSSH is not spoken here\\r\\n'.repeat(100))); };
  s.on('drain', go).on('error', () => {}); go();
}).listen(22)`;

interface End {
  status: number | null;
  stdout: string;
  stderr: string;
}

describeWith(tools, 'a roll call over an orchard’s network', { timeoutMs: 180_000 }, () => {
  const cleanup = new Cleanup();
  let bench: BenchNetwork;
  let orchard: Orchard;
  const at = new Map<string, BenchNode>();

  function start(program: string, args: readonly string[], uid: number | null = null) {
    const child = spawn(...bench.inside(program, args), {
      stdio: ['ignore', 'pipe', 'pipe'],
      env: { ...process.env, NO_COLOR: '1' },
      ...(uid === null ? {} : { uid, gid: uid }),
    });
    const end = { stdout: '', stderr: '' };
    child.stdout.setEncoding('utf8').on('data', (text: string) => {
      end.stdout += text;
    });
    child.stderr.setEncoding('utf8').on('data', (text: string) => {
      end.stderr += text;
    });
    const done = new Promise<End>((resolve) => {
      child.once('close', (status) => resolve({ status, ...end }));
    });
    return { child, done };
  }
  const inside = (program: string, args: readonly string[]) => start(program, args).done;
  const rollcall = (...args: string[]) =>
    inside(process.execPath, [launcher, 'rollcall', orchard.plan, '--records', orchard.records, ...args]);

  const lastLine = ({ stdout, stderr }: End) => {
    const line = stdout.trim().split('\n').at(-1) ?? '';
    if (!line.startsWith('{')) throw new Error(`no JSON:\n${stdout}\n${stderr}`);
    return JSON.parse(line) as { settled: number; nodes: Record<string, unknown>[] } & Record<
      string,
      unknown
    >;
  };
  const standings = (end: End) =>
    Object.fromEntries(lastLine(end).nodes.map((node) => [node.node as string, node]));

  beforeAll(async () => {
    const folder = await makeWorkFolder(cleanup);
    orchard = layOutOrchard(folder, nodes, ['orchard-12']);
    bench = await makeBenchNetwork(cleanup, folder, { stationAddress: '192.0.2.1/24', ports: [] });
    const add = async (address: string) => {
      const node = await addBenchNode(cleanup, { bench, folder, address });
      at.set(address, node);
      return node;
    };
    const serve = async (address: string, owner: string, types: readonly ('ed25519' | 'rsa')[]) => {
      const node = await add(address);
      await node.startSshd(types.map((type) => orchard.keyFile(owner, type)));
      return node;
    };
    // Not orchard's: nobody made this key here.
    const stranger = join(folder, 'stranger');
    await inside('ssh-keygen', ['-q', '-t', 'ed25519', '-N', '', '-f', stranger]);

    await serve('192.0.2.11', 'orchard-01', ['ed25519', 'rsa']);
    await serve('192.0.2.12', 'orchard-03', ['ed25519']);
    await serve('192.0.2.13', 'orchard-02', ['rsa']);
    await (await add('192.0.2.15')).startSshd([stranger]);
    (await add('192.0.2.16')).run(process.execPath, ['-e', mute]);
    await add('192.0.2.17');
    const renamed = await serve('192.0.2.18', 'orchard-08', ['ed25519']);
    const byName = await serve('192.0.2.109', 'orchard-09', ['ed25519']);
    await serve('192.0.2.110', 'orchard-10', ['ed25519']);
    (await add('192.0.2.21')).run(process.execPath, ['-e', flood]);
    await (await add('192.0.2.22')).startSshd([stranger]);
    const rival = await add('192.0.2.99');
    await rival.startNames('orchard-08');
    await Promise.all([renamed.startNames('orchard-08'), byName.startNames('orchard-09')]);
  }, 180_000);

  afterAll(async () => {
    const errors = await cleanup.run();
    if (errors.length > 0) throw errors[0];
  }, 60_000);

  it('tells every node apart by the key that it proves to hold', async () => {
    const end = await rollcall('--json');
    const found = standings(end);
    expect(end.status, end.stderr).toBe(12);
    expect(lastLine(end).settled).toBe(2);
    expect(found['orchard-01']).toMatchObject({ state: 'ours', at: '192.0.2.11' });
    expect(found['orchard-02']).toMatchObject({
      state: 'other-key',
      owner: { set: 'orchard', node: 'orchard-03' },
      with: 'swapped',
    });
    expect(found['orchard-03']).toMatchObject({
      state: 'other-key',
      owner: { node: 'orchard-02' },
      with: 'swapped',
    });
    expect(found['orchard-04']).toMatchObject({ state: 'no-answer' });
    expect(found['orchard-05']).toMatchObject({ state: 'stranger' });
    expect(found['orchard-06']).toMatchObject({ state: 'no-answer', silence: { kind: 'mute' } });
    expect(found['orchard-07']).toMatchObject({ state: 'no-answer', silence: { kind: 'refused' } });
    expect(found['orchard-08']).toMatchObject({
      state: 'other-name',
      calls: 'orchard-08-2.local',
      taken: ['192.0.2.99'],
    });
    expect(found['orchard-09']).toMatchObject({
      state: 'ours',
      at: '192.0.2.109',
      hardware: at.get('192.0.2.109')?.hardware,
    });
    expect(found['orchard-10']).toMatchObject({ state: 'no-answer', silence: { kind: 'not-found' } });
    expect(found['orchard-11']).toMatchObject({ state: 'no-answer', silence: { kind: 'broken' } });
    expect(found['orchard-12']).toMatchObject({ state: 'incomparable', because: 'never made' });
    expect(end.stdout).not.toContain('\u001b');
  });
});
