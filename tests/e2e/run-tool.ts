import { type ChildProcess, spawn } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';

export const launcher = join(import.meta.dirname, '..', '..', 'bin', 'cardwright.js');

export interface ToolEnd {
  status: number | null;
  signal: NodeJS.Signals | null;
  stdout: string;
  stderr: string;
  /** the JSON lines of standard output, where `--json` was given */
  lines: Record<string, unknown>[];
}

export interface ToolOptions {
  uid?: number;
  env?: NodeJS.ProcessEnv;
  cwd?: string;
  /** another copy of the tool */
  launcher?: string;
  /** a descriptor that comes along without being asked for, as from a careless shell */
  stray?: number;
}

export interface RunningTool {
  child: ChildProcess;
  /** resolves with the first JSON line that fits; rejects when the tool ends without one */
  seen(fits: (line: Record<string, unknown>) => boolean): Promise<Record<string, unknown>>;
  end: Promise<ToolEnd>;
}

/** Beyond the numbers that the tool gives its own children. */
function strayAt20(stray: number | undefined): (number | 'ignore')[] {
  return stray === undefined ? [] : [...Array<'ignore'>(17).fill('ignore'), stray];
}

/** Starts the real command line as a person would, in a process of its own. */
export function startTool(args: readonly string[], options: ToolOptions = {}): RunningTool {
  const identity = options.uid === undefined ? {} : { uid: options.uid, gid: options.uid };
  const child = spawn(process.execPath, [options.launcher ?? launcher, ...args], {
    stdio: ['ignore', 'pipe', 'pipe', ...strayAt20(options.stray)],
    env: { ...process.env, NO_COLOR: '1', ...options.env },
    ...(options.cwd === undefined ? {} : { cwd: options.cwd }),
    ...identity,
  });
  const lines: Record<string, unknown>[] = [];
  const waiting: {
    fits(line: Record<string, unknown>): boolean;
    resolve(line: Record<string, unknown>): void;
    reject(e: Error): void;
  }[] = [];
  let stdout = '';
  let stderr = '';
  let rest = '';
  child.stdout?.setEncoding('utf8').on('data', (text: string) => {
    stdout += text;
    const parts = (rest + text).split('\n');
    rest = parts.pop() ?? '';
    for (const part of parts) {
      if (!part.startsWith('{')) continue;
      const line = JSON.parse(part) as Record<string, unknown>;
      lines.push(line);
      for (const one of waiting.filter(({ fits }) => fits(line))) one.resolve(line);
    }
  });
  child.stderr?.setEncoding('utf8').on('data', (text: string) => {
    stderr += text;
  });
  const end = new Promise<ToolEnd>((resolve) => {
    child.once('close', (status, signal) => {
      for (const one of waiting)
        one.reject(new Error(`the tool ended (${status ?? signal}):\n${stdout}\n${stderr}`));
      resolve({ status, signal, stdout, stderr, lines });
    });
  });
  return {
    child,
    end,
    seen: (fits) =>
      new Promise((resolve, reject) => {
        const already = lines.find(fits);
        if (already) resolve(already);
        else waiting.push({ fits, resolve, reject });
      }),
  };
}

export function runTool(args: readonly string[], options?: ToolOptions): Promise<ToolEnd> {
  return startTool(args, options).end;
}

/** A folder with a policy that names the given disks, a plan with its keys and image, and room for the records. */
export interface TestStation {
  folder: string;
  image: string;
  plan: string;
  records: string;
  /** options that every command on this station takes */
  common: string[];
  run(...args: string[]): Promise<ToolEnd>;
  start(...args: string[]): RunningTool;
  /** the approval code that the tool shows for a disk now */
  codeOf(node: string): Promise<string>;
}

/** Policies are honoured only below folders of root's that nobody else can write to: not below a shared /tmp. */
const home = '/run';

type Prepare = (folder: string) => Promise<{ image: string; plan: string }>;

/** The suites that use this run both ways: with CARDWRIGHT_TEST_WAY=daemon every command goes through a daemon. */
export async function withStation<T>(
  allowDevices: readonly string[],
  prepare: Prepare,
  body: (station: TestStation) => Promise<T>,
): Promise<T> {
  if (process.env.CARDWRIGHT_TEST_WAY !== 'daemon') return withOwnStation(allowDevices, prepare, body);
  const { withDaemon } = await import('../daemon/daemon-process.ts');
  return withDaemon(allowDevices, prepare, body);
}

/** A station whose commands do the work themselves. */
export async function withOwnStation<T>(
  allowDevices: readonly string[],
  prepare: Prepare,
  body: (station: TestStation) => Promise<T>,
): Promise<T> {
  const folder = fs.mkdtempSync(join(home, 'cardwright-test-'));
  fs.chmodSync(folder, 0o755);
  try {
    const policy = join(folder, 'policy.yaml');
    fs.writeFileSync(policy, `allowDevices: ${JSON.stringify(allowDevices)}\n`, { mode: 0o644 });
    const { image, plan } = await prepare(folder);
    const records = join(folder, 'store', 'records.db');
    const common = ['--policy', policy, '--records', records, '--json'];
    const run = (...args: string[]) => runTool([...args, ...common]);
    return await body({
      folder,
      image,
      plan,
      records,
      common,
      run,
      start: (...args) => startTool([...args, ...common]),
      async codeOf(node) {
        const { lines, stderr, stdout } = await run('devices');
        const disks = (lines.find((line) => line.type === 'devices')?.disks ?? []) as {
          node: string;
          code: string | null;
        }[];
        const code = disks.find((disk) => disk.node === node)?.code;
        if (!code) throw new Error(`no code for ${node}:\n${stdout}\n${stderr}`);
        return code;
      },
    });
  } finally {
    fs.rmSync(folder, { recursive: true, force: true });
  }
}
