import { type ChildProcess, spawn } from 'node:child_process';
import * as fs from 'node:fs';
import { createServer, type Server } from 'node:net';
import { fileURLToPath } from 'node:url';
import { parseArgs } from 'node:util';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { loadPolicy } from '../../guard/policy/load-policy.ts';
import { pickWorkerUser, takenUids } from '../../job/supervisor/worker-user.ts';
import { defaultRuntimeFolder, rights, socketOf } from '../contract/rights.ts';
import { groupNumber } from './group-number.ts';

/*
 * Both parts in the foreground, for people without systemd: this makes the sockets as systemd would, starts the two,
 * and ends with them. A crash in here leaves socket files behind, which the next start replaces.
 */

interface Bound {
  name: string;
  path: string;
  server: Server;
}

/**
 * A listening socket that another process will serve. It is bound under a name of its own and moved into place once it
 * has its owner and mode; so our own copy can be closed without taking the file away.
 */
async function bind(
  name: string,
  path: string,
  owner: { uid: number; gid: number; mode: number },
): Promise<Bound> {
  const draft = `${path}.new`;
  fs.rmSync(draft, { force: true });
  const server = createServer();
  const before = process.umask(0o177);
  try {
    await new Promise<void>((resolve, reject) => {
      server.once('error', reject);
      server.listen(draft, resolve);
    });
  } finally {
    process.umask(before);
  }
  fs.chownSync(draft, owner.uid, owner.gid);
  fs.chmodSync(draft, owner.mode);
  fs.renameSync(draft, path);
  return { name, path, server };
}

/** Node has no public name for a server's descriptor; without one nobody could be connected. */
function descriptorOf({ server }: Bound): number {
  const { fd } = (server as unknown as { _handle: { fd: number } })._handle;
  if (!(fd >= 0)) throw new Error('this Node does not tell the descriptor of a server');
  return fd;
}

/** The unprivileged part gets its program as text on standard input: its user may not be able to read our folder. */
interface Lowered {
  user: { uid: number; gid: number };
  script: string;
}

function startPart(
  sockets: readonly Bound[],
  args: readonly string[],
  lowered: Lowered | null,
): ChildProcess {
  const program = [
    'setpriv',
    ...(lowered ? dropped(lowered.user) : []),
    ...endsWithUs,
    process.execPath,
    ...args,
  ];
  const script = lowered ? fs.openSync(lowered.script, 'r') : 'ignore';
  try {
    return spawn(program[0] ?? '', program.slice(1), {
      // The descriptors of the listening sockets, from 3 on, as sd_listen_fds(3) has it.
      stdio: [script, 'inherit', 'inherit', ...sockets.map(descriptorOf)],
      cwd: '/',
      env: {
        PATH: process.env.PATH,
        LISTEN_FDS: `${sockets.length}`,
        LISTEN_FDNAMES: sockets.map((one) => one.name).join(':'),
      },
    });
  } finally {
    if (typeof script === 'number') fs.closeSync(script);
  }
}

const endsWithUs = ['--pdeathsig', 'TERM'];
const bundle = (name: string) => fileURLToPath(new URL(name, import.meta.url));

const ended = (child: ChildProcess) =>
  new Promise<void>((resolve) => {
    child.once('exit', () => resolve());
    child.once('error', () => resolve());
  });

/** @returns the exit status */
export async function main(argv: readonly string[]): Promise<number> {
  const { values } = parseArgs({
    args: [...argv],
    options: {
      runtime: { type: 'string', default: defaultRuntimeFolder },
      records: { type: 'string', default: '/var/lib/cardwright/records.db' },
      policy: { type: 'string' },
      uploads: { type: 'string', default: '/var/lib/cardwright-uploads' },
    },
  });
  if (process.getuid?.() !== 0) {
    throw new CardwrightError('usage.needs-root', { facts: { user: `${process.getuid?.() ?? -1}` } });
  }
  const { policy } = await loadPolicy(values.policy ?? null);
  const front = pickWorkerUser(0, process.pid, takenUids()) ?? { uid: -1, gid: -1 };
  const folder = values.runtime;
  const groupOf = (right: string) => groupNumber(policy.groups[right] ?? null);
  makeFolder(folder, { uid: 0, gid: groupOf('look'), mode: 0o750 });
  const inner = `${folder}-station`;
  makeFolder(inner, { ...front, mode: 0o700 });
  const sockets: Bound[] = [];
  for (const right of rights) {
    sockets.push(await bind(right, socketOf(right, folder), { uid: 0, gid: groupOf(right), mode: 0o660 }));
  }
  const station = await bind('station', `${inner}/station.sock`, { ...front, mode: 0o600 });
  const uploads = ['--uploads', values.uploads];
  makeFolder(values.uploads, { ...front, mode: 0o700 });
  giveUploads(values.uploads, front);
  const records = ['--records', values.records, ...uploads];
  const chosen = values.policy === undefined ? [] : ['--policy', values.policy];
  const parts = [
    startPart([station], [bundle('station.js'), ...records, ...chosen], null),
    startPart(sockets, ['-', '--station', station.path, ...uploads], {
      user: front,
      script: bundle('front.cjs'),
    }),
  ] as const;
  for (const { server } of [station, ...sockets]) server.close();
  const [owner, talker] = parts;
  // The part that people talk to goes last: it hands on what becomes of their jobs.
  const stop = () => owner.kill('SIGTERM');
  process.once('SIGTERM', stop);
  process.once('SIGINT', stop);
  const ends = [ended(owner), ended(talker)];
  await Promise.race(ends);
  stop();
  await ends[0];
  talker.kill('SIGTERM');
  await ends[1];
  for (const { path } of [station, ...sockets]) fs.rmSync(path, { force: true });
  return 0;
}

function makeFolder(path: string, owner: { uid: number; gid: number; mode: number }): void {
  fs.mkdirSync(path, { recursive: true, mode: 0o700 });
  fs.chownSync(path, owner.uid, owner.gid);
  fs.chmodSync(path, owner.mode);
}

/** What was sent to an earlier front, under another user number, is this one's now. */
function giveUploads(folder: string, { uid, gid }: { uid: number; gid: number }): void {
  for (const entry of fs.readdirSync(folder, { withFileTypes: true })) {
    if (!entry.isDirectory()) continue;
    const own = `${folder}/${entry.name}`;
    for (const name of fs.readdirSync(own)) fs.lchownSync(`${own}/${name}`, uid, gid);
    fs.lchownSync(own, uid, gid);
  }
}

function dropped({ uid, gid }: { uid: number; gid: number }): string[] {
  const ids = ['--reuid', `${uid}`, '--regid', `${gid}`, '--clear-groups'];
  return ['setpriv', ...ids, '--bounding-set', '-all', '--inh-caps', '-all', '--no-new-privs'];
}
