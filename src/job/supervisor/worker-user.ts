import * as fs from 'node:fs';

export interface WorkerUser {
  uid: number;
  gid: number;
}

/** The range that systemd keeps for users made on the fly (systemd.io/UIDS-GIDS): no package's user lies in it. */
const firstUid = 61_184;
const lastUid = 65_519;

/**
 * A user for one worker that no other process has, so that two workers cannot reach each other. Null where we are
 * not root: then the worker keeps the caller's own, and there is nothing to drop.
 */
export function pickWorkerUser(ownUid: number, seed: number, taken: ReadonlySet<number>): WorkerUser | null {
  if (ownUid !== 0) return null;
  const span = lastUid - firstUid + 1;
  for (let step = 0; step < span; step++) {
    const uid = firstUid + ((seed + step) % span);
    if (!taken.has(uid)) return { uid, gid: uid };
  }
  throw new Error('no free user number is left for a worker');
}

let given = 0;
/** Far apart, so that processes with neighbouring numbers do not meet. */
const stride = 1009;

/** The user for the next worker of this process. Two workers that start at the same moment get different ones. */
export function nextWorkerUser(): WorkerUser | null {
  return pickWorkerUser(process.getuid?.() ?? -1, process.pid + stride * given++, takenUids());
}

/** Users in the account file and owners of running processes. */
export function takenUids(): Set<number> {
  const taken = new Set<number>();
  for (const line of fs.readFileSync('/etc/passwd', 'utf8').split('\n'))
    taken.add(Number(line.split(':')[2]));
  for (const entry of fs.readdirSync('/proc')) {
    if (!/^\d+$/.test(entry)) continue;
    const stat = fs.statSync(`/proc/${entry}`, { throwIfNoEntry: false });
    if (stat) taken.add(stat.uid);
  }
  return taken;
}
