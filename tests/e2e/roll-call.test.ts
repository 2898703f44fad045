/**
 * The roll call against real servers: OpenSSH's sshd and avahi-daemon, each in a network of the lab's own, on addresses
 * kept for documentation (RFC 5737). What it writes is judged by the programs that read it: ssh, ssh-keygen,
 * ansible-inventory.
 */
import { spawn } from 'node:child_process';
import { EventEmitter, once } from 'node:events';
import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
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
  { name: 'orchard-13', slot: 'B6', address: '192.0.2.23' },
];

/** Opens every connection and says nothing, or says the same for ever. */
const mute = `require('node:net').createServer(() => {}).listen(22)`;
const flood = `require('node:net').createServer((s) => {
  const go = () => { while (s.write('\\u001b[2JSSH is not spoken here\\r\\n'.repeat(100))); };
  s.on('drain', go).on('error', () => {}); go();
}).listen(22)`;

/** As whoever may not read root's records. */
const nobody = 65_534;

interface End {
  status: number | null;
  stdout: string;
  stderr: string;
}

/** What the test is about: every run of the tool, all at once on one network. */
interface Runs {
  everyone: End;
  searching: End;
  waiting: End;
  nobodys: End;
  refused: End;
}

describeWith(tools, 'a roll call over an orchard’s network', { timeoutMs: 120_000 }, () => {
  const cleanup = new Cleanup();
  const at = new Map<string, BenchNode>();
  let bench: BenchNetwork;
  let orchard: Orchard;
  let papers: Record<'knownHosts' | 'sshConfig' | 'hosts' | 'inventory' | 'ethers', string>;
  let runs: Runs;

  function start(program: string, args: readonly string[]) {
    const child = spawn(...bench.inside(program, args), {
      stdio: ['ignore', 'pipe', 'pipe'],
      env: { ...process.env, NO_COLOR: '1' },
    });
    const end = { stdout: '', stderr: '' };
    const seen = new EventEmitter();
    child.stdout.setEncoding('utf8').on('data', (text: string) => {
      end.stdout += text;
      seen.emit('text');
    });
    child.stderr.setEncoding('utf8').on('data', (text: string) => {
      end.stderr += text;
    });
    const done = new Promise<End>((resolve) => {
      child.once('close', (status) => resolve({ status, ...end }));
    });
    return { done, firstWord: once(seen, 'text') };
  }
  const inside = (program: string, args: readonly string[]) => start(program, args).done;
  const line = (...args: string[]) => [launcher, 'rollcall', orchard.plan, ...args];
  const rollcall = (...args: string[]) =>
    start(process.execPath, line('--records', orchard.records, '--json', ...args));

  const resultOf = ({ stdout, stderr }: End) => {
    const last = stdout.trim().split('\n').at(-1) ?? '';
    if (!last.startsWith('{')) throw new Error(`no JSON:\n${stdout}\n${stderr}`);
    return JSON.parse(last) as { nodes: Record<string, unknown>[] } & Record<string, unknown>;
  };
  const standings = (end: End) =>
    Object.fromEntries(resultOf(end).nodes.map((node) => [node.node as string, node]));

  async function growOrchard(folder: string): Promise<void> {
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
    // Nobody made this key here.
    const stranger = join(folder, 'stranger');
    await inside('ssh-keygen', ['-q', '-t', 'ed25519', '-N', '', '-f', stranger]);
    const rival = await add('192.0.2.99');
    const rivalIsThere = rival.startNames('orchard-08');
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
    await add('192.0.2.23');
    await rivalIsThere;
    await Promise.all([renamed.startNames('orchard-08'), byName.startNames('orchard-09')]);
  }

  /** A node that comes up while it is waited for. */
  async function waitForNode(): Promise<End> {
    const run = rollcall('--wait', '100s', '--only', 'orchard-13');
    await run.firstWord;
    await at.get('192.0.2.23')?.startSshd([orchard.keyFile('orchard-13', 'ed25519')]);
    return run.done;
  }

  function callAsNobody(): Promise<End> {
    const keys = join(orchard.folder, 'orchard.keys');
    const key = orchard.publicKey('orchard-01', 'ed25519');
    fs.writeFileSync(keys, `orchard-01,192.0.2.11 ${key}\n`);
    const who = ['--reuid', `${nobody}`, '--regid', `${nobody}`, '--clear-groups'];
    return inside('setpriv', [
      ...who,
      process.execPath,
      ...line('--keys', keys, '--only', 'orchard-01', '--json'),
    ]);
  }

  function callOverForeignFile(): Promise<End> {
    fs.writeFileSync(join(orchard.folder, 'somebodys'), '127.0.0.1 localhost\n');
    return rollcall('--hosts', join(orchard.folder, 'somebodys')).done;
  }

  beforeAll(async () => {
    // Nobody, too, must be able to read the plan.
    const folder = await makeWorkFolder(cleanup, tmpdir());
    fs.chmodSync(folder, 0o755);
    orchard = layOutOrchard(folder, nodes, ['orchard-12']);
    const file = (name: string) => join(folder, name);
    papers = {
      knownHosts: file('known hosts 100%'),
      sshConfig: file('ssh_config'),
      hosts: file('hosts'),
      inventory: file('inventory.yaml'),
      ethers: file('ethers'),
    };
    bench = await makeBenchNetwork(cleanup, folder, { stationAddress: '192.0.2.1/24', ports: [] });
    await growOrchard(folder);
    const asked = Object.entries(papers).flatMap(([kind, path]) => [
      `--${kind.replace(/[A-Z]/g, (letter) => `-${letter.toLowerCase()}`)}`,
      path,
    ]);
    const [everyone, searching, waiting, nobodys, refused] = await Promise.all([
      rollcall(...asked).done,
      rollcall('--search', '192.0.2.96/28', '--only', 'orchard-10').done,
      waitForNode(),
      callAsNobody(),
      callOverForeignFile(),
    ]);
    runs = { everyone, searching, waiting, nobodys, refused };
  }, 240_000);

  afterAll(async () => {
    const errors = await cleanup.run();
    if (errors.length > 0) throw errors[0];
  }, 60_000);

  it('tells every node apart by the key that it proves to hold', () => {
    const found = standings(runs.everyone);
    expect(runs.everyone.status, runs.everyone.stderr).toBe(12);
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
    expect(found['orchard-12']).toMatchObject({ state: 'incomparable', because: 'never made' });
  });

  it('says how far it came with those that give no key, in bounds', () => {
    const found = standings(runs.everyone);
    expect(found['orchard-06']).toMatchObject({ state: 'no-answer', silence: { kind: 'mute' } });
    expect(found['orchard-07']).toMatchObject({ state: 'no-answer', silence: { kind: 'refused' } });
    expect(found['orchard-11']).toMatchObject({ state: 'no-answer', silence: { kind: 'broken' } });
    expect(runs.everyone.stdout).not.toContain('\u001b');
  });

  it('finds by name, with the machine’s hardware address, and sees who lost a name to another', () => {
    const found = standings(runs.everyone);
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
  });

  it('finds a node without a name by a search, by its key', () => {
    expect(runs.searching.status, runs.searching.stderr).toBe(0);
    expect(standings(runs.searching)['orchard-10']).toMatchObject({ state: 'ours', at: '192.0.2.110' });
  });

  it('waits, tells each change, and ends as soon as all are there', () => {
    expect(runs.waiting.status, runs.waiting.stderr).toBe(0);
    const lines = runs.waiting.stdout
      .trim()
      .split('\n')
      .map((text) => JSON.parse(text) as Record<string, unknown>);
    expect(lines.filter(({ type }) => type === 'node-standing').map(({ state }) => state)).toEqual([
      'no-answer',
      'ours',
    ]);
    expect(Number(lines.at(-1)?.elapsedMs)).toBeLessThan(100_000);
  });

  it('needs no root where the keys come from a file', () => {
    expect(runs.nobodys.status, runs.nobodys.stderr).toBe(0);
    expect(standings(runs.nobodys)['orchard-01']).toMatchObject({ state: 'ours' });
  });

  it('writes over nobody’s file', () => {
    expect(runs.refused.status).toBe(2);
    expect(resultOf(runs.refused)).toMatchObject({ code: 'rollcall.not-ours' });
    expect(fs.readFileSync(join(orchard.folder, 'somebodys'), 'utf8')).toBe('127.0.0.1 localhost\n');
  });

  it('writes known_hosts as ssh-keygen reads it, with recorded keys alone', async () => {
    const lookUp = async (name: string) => {
      const { stdout } = await inside('ssh-keygen', ['-F', name, '-f', papers.knownHosts]);
      return stdout.split('\n').filter((text) => text !== '' && !text.startsWith('#'));
    };
    for (const name of ['orchard-05', '192.0.2.15', 'orchard-05.local', 'orchard-05.orchard.example.org']) {
      const keys = (await lookUp(name)).map((text) => text.split(' ').slice(1).join(' '));
      expect(keys, name).toEqual([
        orchard.publicKey('orchard-05', 'ed25519'),
        orchard.publicKey('orchard-05', 'rsa'),
      ]);
    }
    expect(await lookUp('192.0.2.109')).toHaveLength(1);
    expect(await lookUp('orchard-12')).toEqual([]);
  });

  it('writes settings with which ssh trusts our own machines and no other', async () => {
    const knock = async (name: string) => {
      const options = ['-F', papers.sshConfig, '-o', 'BatchMode=yes', '-o', 'ConnectTimeout=10'];
      return (await inside('ssh', [...options, name, 'true'])).stderr;
    };
    const [own, swapped, foreign, byName] = await Promise.all(
      ['orchard-01', 'orchard-02', 'orchard-05', 'orchard-09'].map(knock),
    );
    // Past the host key, and turned away only because the orchard's servers know no user grower.
    for (const ours of [own, byName]) expect(ours).toContain('Permission denied');
    for (const other of [swapped, foreign]) expect(other).toContain('Host key verification failed');
  });

  it('writes an inventory that Ansible reads', async () => {
    const { stdout, stderr } = await inside('ansible-inventory', ['-i', papers.inventory, '--list']);
    expect(stderr).not.toMatch(/warning|error/i);
    const inventory = JSON.parse(stdout);
    expect(inventory.orchard.hosts).toEqual(nodes.map(({ name }) => name));
    expect(inventory.gate.hosts).toEqual(['orchard-02']);
    const facts = inventory._meta.hostvars;
    expect(facts['orchard-09']).toMatchObject({
      ansible_host: '192.0.2.109',
      ansible_user: 'grower',
      slot: 'B2',
    });
    expect(facts['orchard-10'].ansible_host).toBe('orchard-10.local');
    expect(facts['orchard-01'].ansible_ssh_common_args).toContain('HostKeyAlias=orchard-01');
  });

  it('writes names for hosts(5) and hardware addresses for ethers(5)', () => {
    const hosts = fs.readFileSync(papers.hosts, 'utf8');
    expect(hosts).toMatch(/^192\.0\.2\.11\torchard-01\.orchard\.example\.org\torchard-01$/m);
    expect(hosts).toMatch(/^192\.0\.2\.109\torchard-09\.orchard\.example\.org\torchard-09$/m);
    const ethers = fs.readFileSync(papers.ethers, 'utf8').split('\n').slice(1, -1);
    expect(ethers).toContain(`${at.get('192.0.2.109')?.hardware} orchard-09`);
    expect(ethers).toContain(`${at.get('192.0.2.11')?.hardware} orchard-01`);
    expect(ethers.join()).not.toContain('orchard-05');
  });
});
