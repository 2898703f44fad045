import { type BigIntStats, constants } from 'node:fs';
import { open, readdir, readFile, readlink, realpath, stat } from 'node:fs/promises';
import { execa } from 'execa';
import type { Answer, FileNumbers, SystemReader } from '../../contract/system-reader.ts';

/** A hung reader or network share keeps a call from ending; enumeration then goes on without that fact. */
const defaultPatienceMs = 10_000;
const programPath = '/usr/sbin:/usr/bin:/sbin:/bin';
const mostOutputBytes = 16 * 2 ** 20;

function whyOf(error: unknown): string {
  if (!(error instanceof Error)) return String(error);
  const code = (error as NodeJS.ErrnoException).code;
  return typeof code === 'string' ? code : (error.message.split('\n')[0] ?? error.name);
}

/** Turns a call that may throw or hang into an answer. */
async function answerWithin<T>(patienceMs: number, call: () => Promise<T>): Promise<Answer<T>> {
  let timer: NodeJS.Timeout | undefined;
  const tooLate = new Promise<Answer<T>>((resolve) => {
    const why = `no answer within ${patienceMs / 1000} seconds`;
    timer = setTimeout(() => resolve({ ok: false, why }), patienceMs);
  });
  const asked = (async (): Promise<Answer<T>> => {
    try {
      return { ok: true, value: await call() };
    } catch (error) {
      return { ok: false, why: whyOf(error) };
    }
  })();
  try {
    return await Promise.race([asked, tooLate]);
  } finally {
    clearTimeout(timer);
  }
}

/** Splits a 64-bit dev_t as glibc's gnu_dev_major and gnu_dev_minor do (makedev(3)). */
export function majorMinorOf(dev: bigint): string {
  const major = ((dev >> 8n) & 0xfffn) | ((dev >> 32n) & 0xfffff000n);
  const minor = (dev & 0xffn) | ((dev >> 12n) & 0xffffff00n);
  return `${major}:${minor}`;
}

function kindOf(stats: BigIntStats): FileNumbers['kind'] {
  if (stats.isFile()) return 'file';
  if (stats.isDirectory()) return 'directory';
  if (stats.isBlockDevice()) return 'block';
  if (stats.isCharacterDevice()) return 'character';
  return stats.isSymbolicLink() ? 'symlink' : 'other';
}

async function readNumbers(path: string): Promise<FileNumbers> {
  const stats = await stat(path, { bigint: true });
  const kind = kindOf(stats);
  return {
    kind,
    dev: majorMinorOf(stats.dev),
    rdev: kind === 'block' || kind === 'character' ? majorMinorOf(stats.rdev) : null,
    uid: Number(stats.uid),
    gid: Number(stats.gid),
    mode: Number(stats.mode & 0o7777n),
    sizeBytes: Number(stats.size),
  };
}

async function readRange(path: string, offset: number, length: number): Promise<Uint8Array> {
  const { kind } = await readNumbers(path);
  // A pipe would wait for a writer, a terminal for a key.
  if (kind !== 'file' && kind !== 'block') throw new Error(`neither a file nor a disk (${kind})`);
  const handle = await open(path, constants.O_RDONLY);
  try {
    const bytes = new Uint8Array(length);
    let done = 0;
    while (done < length) {
      const { bytesRead } = await handle.read(bytes, done, length - done, offset + done);
      if (bytesRead === 0) break;
      done += bytesRead;
    }
    return bytes.subarray(0, done);
  } finally {
    await handle.close();
  }
}

async function runProgram(
  program: string,
  args: readonly string[],
  patienceMs: number,
): Promise<Answer<{ status: number; stdout: string }>> {
  const result = await execa(program, [...args], {
    reject: false,
    shell: false,
    stdin: 'ignore',
    stderr: 'ignore',
    stripFinalNewline: false,
    extendEnv: false,
    env: { PATH: programPath, LC_ALL: 'C' },
    timeout: patienceMs,
    killSignal: 'SIGKILL',
    maxBuffer: mostOutputBytes,
  });
  if (result.exitCode !== undefined && !result.isMaxBuffer) {
    return { ok: true, value: { status: result.exitCode, stdout: result.stdout } };
  }
  if (result.timedOut) return { ok: false, why: `no end within ${patienceMs / 1000} seconds` };
  if (result.isMaxBuffer) return { ok: false, why: 'too much output' };
  return {
    ok: false,
    why: result.code === 'ENOENT' ? 'missing' : (result.signal ?? result.code ?? 'not started'),
  };
}

async function listDrives(): Promise<unknown[]> {
  // Loaded only here: without its native part the package throws as soon as it is loaded.
  const { list } = await import('drivelist');
  return list();
}

/** Reads the machine we run on. No method throws; every answer comes within `patienceMs`, or says that it did not. */
export function createLiveReader({ patienceMs = defaultPatienceMs } = {}): SystemReader {
  const answer = <T>(call: () => Promise<T>): Promise<Answer<T>> => answerWithin(patienceMs, call);
  return {
    readText: (path) => answer(() => readFile(path, 'utf8')),
    list: (path) => answer(async () => (await readdir(path)).sort()),
    readLink: (path) => answer(() => readlink(path)),
    realPath: (path) => answer(() => realpath(path)),
    stat: (path) => answer(() => readNumbers(path)),
    run: async (program, args) => {
      // A moment more than the program has, so that it is the program's end that is told.
      const outcome = await answerWithin(patienceMs + 1000, () => runProgram(program, args, patienceMs));
      return outcome.ok ? outcome.value : outcome;
    },
    readBytes: (path, offset, length) => answer(() => readRange(path, offset, length)),
    drivelist: () => answer(listDrives),
  };
}
