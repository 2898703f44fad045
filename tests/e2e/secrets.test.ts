import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { parse, stringify } from 'yaml';
import { deriveWifiKey } from '../../src/identity/wifi-key.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type LoopDisk, withLoopDisk } from '../lab/loop-disk.ts';
import { makeOrchard } from './make-orchard.ts';
import { type RunningTool, startTool, type TestStation, withStation } from './run-tool.ts';
import { formsOf, type Secrets, secretsIn, tracesIn, watchProcess } from './secret-traces.ts';

const mib = 2 ** 20;
// Invented for this test. The hash is of `phrase`, by openssl.
const phrase = 'seven ripe pears of the far row';
const wifiPhrase = 'no frost before November';
const wifiName = 'orchard';
const firstBootFile = 'code of the gate: 90c0a7e90c0a7e90c0a7e';
const secretFile = 'token of the pump: 4be1c0ffee4be1c0ffee';

interface Kit {
  station: TestStation;
  disk: LoopDisk;
  secrets(): Secrets;
  /** runs the tool to its end, watched; throws where a secret was seen */
  watch(tool: RunningTool): Promise<{ status: number | null; codes: string[]; said: string }>;
  edit(change: (plan: Record<string, unknown>) => void): void;
  /** what is left of secrets anywhere but on the card and in the files that the person named */
  traces(): string[];
}

async function withSecrets(body: (kit: Kit) => Promise<void>): Promise<void> {
  const hash = execFileSync('openssl', ['passwd', '-6', '-stdin'], { input: phrase }).toString().trim();
  const wifiKey = deriveWifiKey(wifiPhrase, wifiName);
  // The test runner keeps this very file, made ready to run, among its own; that was a moment ago.
  const sinceMs = Date.now();
  await withLoopDisk({ sizeBytes: 64 * mib, backing: 'tmpfs' }, (disk) =>
    withStation([disk.node], makeOrchard, async (station) => {
      const inFolder = (name: string) => join(station.folder, name);
      fs.writeFileSync(inFolder('pump.txt'), secretFile, { mode: 0o600 });
      fs.writeFileSync(inFolder('gate.txt'), firstBootFile, { mode: 0o600 });
      fs.writeFileSync(inFolder('wifi.txt'), `${wifiPhrase}\n`, { mode: 0o600 });
      fs.mkdirSync(inFolder('tmp'));
      const edit: Kit['edit'] = (change) => {
        const plan = parse(fs.readFileSync(station.plan, 'utf8')) as Record<string, unknown>;
        change(plan);
        fs.writeFileSync(station.plan, stringify(plan));
      };
      edit((plan) => {
        plan.access = { ...(plan.access as object), passwordHash: hash };
        plan.network = {
          ...(plan.network as object),
          wifi: { name: wifiName, phraseFile: 'wifi.txt', country: 'ES' },
        };
        plan.hostKeyFolder = 'hosts';
        plan.files = { 'pump.txt': 'pump.txt' };
        plan.firstBoot = { files: [{ path: '/etc/orchard/gate', from: 'gate.txt', mode: '0600' }] };
      });
      const secrets = (): Secrets => {
        const path = inFolder('hosts/orchard-02/ssh_host_ed25519_key');
        const pem = fs.existsSync(path) ? fs.readFileSync(path, 'utf8').split('\n').slice(1, -2) : [];
        const whole = Buffer.from(pem.join(''), 'base64');
        // OpenSSH PROTOCOL.key: the seed lies behind the check numbers and the public half in the inner part.
        const seed = whole.subarray(161, 193);
        return new Map<string, Uint8Array[]>([
          ['password hash', [Buffer.from(hash), Buffer.from(hash.split('$').at(-1) ?? '')]],
          ['password', [Buffer.from(phrase)]],
          ['wireless key', [Buffer.from(wifiKey), Buffer.from(wifiKey, 'hex')]],
          ['wireless phrase', [Buffer.from(wifiPhrase)]],
          ['extra file', [Buffer.from(secretFile)]],
          ['first-boot file', [Buffer.from(firstBootFile)]],
          // The first lines of the text hold what is public, too; the fourth is of the secret half alone.
          ...(pem.length > 0 ? ([['host key', [seed, Buffer.from(pem[3] ?? '')]]] as const) : []),
        ] as [string, Uint8Array[]][]);
      };
      const named = ['orchard.yaml', 'pump.txt', 'gate.txt', 'wifi.txt'].map(inFolder);
      const kit: Kit = {
        station,
        disk,
        secrets,
        edit,
        async watch(tool) {
          const watching = watchProcess(tool.child.pid ?? 0);
          const end = await tool.end;
          const { seen, processes } = watching.stop();
          expect(processes).toBeGreaterThan(0);
          expect(secretsIn(Buffer.from(end.stdout + end.stderr), secrets()), 'what it said').toEqual([]);
          expect(secretsIn(seen, secrets()), 'what everybody may see of its processes').toEqual([]);
          const codes = end.lines.flatMap((line) => (typeof line.code === 'string' ? [line.code] : []));
          return { status: end.status, codes, said: end.stdout + end.stderr };
        },
        traces: () =>
          tracesIn([station.folder, tmpdir(), '/var/tmp', '/dev/shm'], secrets(), {
            sinceMs,
            isAllowed: (path) =>
              named.includes(path) ||
              path.startsWith(`${inFolder('hosts')}/`) ||
              path === disk.backingPath ||
              /\/card-orchard-\d+\.img$/.test(path),
          }),
      };
      await body(kit);
    }),
  );
}

async function startWrite({ station, disk }: Kit, options: string[] = ['--json']): Promise<RunningTool> {
  const code = await station.codeOf(disk.node);
  const args = ['write', station.image, disk.node, '--plan', station.plan, '--node', 'orchard-02'];
  const common = station.common.filter((one) => one !== '--json');
  return startTool([...args, '--confirm', code, ...common, ...options], {
    env: { TMPDIR: join(station.folder, 'tmp') },
    cwd: station.folder,
  });
}

const phaseBegins = (phase: string) => (line: Record<string, unknown>) =>
  line.type === 'phase' && line.phase === phase && line.state === 'begin';

describe('looking for secrets', () => {
  it('finds one in each of its forms, wherever it begins', () => {
    const secret = Buffer.from('pears and plums');
    const secrets: Secrets = new Map([['fruit', [secret]]]);
    for (const shift of [0, 1, 2, 3, 4]) {
      const around = Buffer.concat([Buffer.alloc(shift, 0xab), secret, Buffer.alloc(5, 0xcd)]);
      for (const encoding of ['latin1', 'base64', 'base64url', 'hex'] as const) {
        const text = Buffer.from(around.toString(encoding), 'latin1');
        expect(secretsIn(text, secrets), `${encoding} ${shift}`).toEqual(['fruit']);
      }
    }
    expect(secretsIn(Buffer.from('apples'), secrets)).toEqual([]);
    for (const form of formsOf(secret)) expect(form.length).toBeGreaterThan(10);
  });
});

describeWith(
  ['loop', 'tmpfs-direct-io', 'program:openssl'],
  'secrets of a plan',
  { timeoutMs: 240_000 },
  () => {
    it.each([['--json'], []])('are on the card, and nowhere else after a good end (%s)', (...options) =>
      withSecrets(async (kit) => {
        const { station, disk } = kit;
        const written = await kit.watch(await startWrite(kit, options));
        expect(written.status, written.said).toBe(0);
        // That they are found on the card shows that the search finds them, and that the card has them.
        const onCard = secretsIn(await disk.readMedium(0, disk.sizeBytes), kit.secrets());
        expect(onCard).toEqual(
          expect.arrayContaining([
            ...['password hash', 'wireless key', 'extra file', 'first-boot file', 'host key'],
          ]),
        );
        expect(onCard).not.toContain('password');
        expect(onCard).not.toContain('wireless phrase');
        for (const args of [
          ['plan', '--check', station.plan],
          ['inspect', station.image, '--plan', station.plan, '--node', 'orchard-02'],
          ['verify', disk.node],
          ['identify', disk.node],
          ['records'],
          ['records', '1'],
        ]) {
          const common = station.common.filter((one) => one !== '--json');
          const { status, said } = await kit.watch(startTool([...args, ...common, ...options]));
          expect(status, `${args[0]}: ${said}`).toBe(0);
        }
        const code = await station.codeOf(disk.node);
        const args = ['--plan', station.plan, '--node', 'orchard-02', '--confirm', code];
        expect((await kit.watch(station.start('personalize', disk.node, ...args))).status).toBe(0);
        expect(kit.traces()).toEqual([]);
      }),
    );

    it.each(['write', 'personalize', 'verify', 'seal'])('leave no trace where a job is killed: %s', (phase) =>
      withSecrets(async (kit) => {
        const tool = await startWrite(kit);
        const watched = kit.watch(tool);
        await tool.seen(phaseBegins(phase));
        tool.child.kill('SIGKILL');
        await watched;
        expect(kit.secrets().has('host key')).toBe(true);
        expect(kit.traces()).toEqual([]);
      }),
    );

    it('leave no trace where a job is cancelled', () =>
      withSecrets(async (kit) => {
        const tool = await startWrite(kit);
        const watched = kit.watch(tool);
        await tool.seen(phaseBegins('write'));
        tool.child.kill('SIGINT');
        expect((await watched).status).toBe(130);
        expect(kit.traces()).toEqual([]);
      }));

    it('leave no trace where the files do not fit', () =>
      withSecrets(async (kit) => {
        const large = Buffer.alloc(30 * mib, `${secretFile}\n`);
        fs.writeFileSync(join(kit.station.folder, 'pump.txt'), large);
        const { status, codes } = await kit.watch(await startWrite(kit));
        expect(status).not.toBe(0);
        expect(codes.join()).toMatch(/volume\./);
        expect(kit.traces()).toEqual([]);
      }));

    it('leave no trace where the kept host key is damaged', () =>
      withSecrets(async (kit) => {
        expect((await kit.watch(await startWrite(kit))).status).toBe(0);
        const path = join(kit.station.folder, 'hosts/orchard-02/ssh_host_ed25519_key');
        fs.writeFileSync(path, fs.readFileSync(path, 'utf8').replace('BEGIN', 'BEGUN'));
        const { codes } = await kit.watch(await startWrite(kit));
        expect(codes).toContain('identity.host-key-unusable');
        expect(kit.traces()).toEqual([]);
      }));

    it.each([
      [
        'the password itself for a hash',
        (plan: Record<string, unknown>) => (plan.access = { user: 'grower', passwordHash: phrase }),
      ],
      [
        'a phrase for a wireless key',
        (plan: Record<string, unknown>) =>
          (plan.network = { wifi: { name: wifiName, key: wifiPhrase, country: 'ES' } }),
      ],
    ])('are not repeated where the plan is mistaken: %s', (_what, change) =>
      withSecrets(async (kit) => {
        kit.edit(change);
        const { status } = await kit.watch(kit.station.start('plan', '--check', kit.station.plan));
        expect(status).toBe(2);
        expect(kit.traces()).toEqual([]);
      }),
    );

    it('are on make-believe cards alone after a rehearsal in which one fails', () =>
      withSecrets(async (kit) => {
        const folder = join(kit.station.folder, 'rehearsal');
        const args = ['rehearse', kit.station.plan, '--folder', folder, '--fault', 'bit-flip@orchard-02'];
        expect((await kit.watch(startTool([...args, '--json']))).status).toBe(0);
        const card = fs.readFileSync(join(folder, 'card-orchard-02.img'));
        expect(secretsIn(card, kit.secrets())).toContain('password hash');
        expect(kit.traces()).toEqual([]);
      }));
  },
);
