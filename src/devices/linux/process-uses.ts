import type { MountedBlocks } from './mount-uses.ts';
import { type OpenFile, readOpenFiles } from './open-files.ts';
import { recordUse, type Survey } from './survey.ts';

/** Enough to say who is there; a data disk may have hundreds of open files. */
const mostFileUses = 16;

/** Inode of the first process namespace, fixed since 3.8 (linux: include/linux/proc_ns.h, PROC_PID_INIT_INO). */
const firstPidNamespace = 'pid:[4026531836]';

async function checkNamespace(survey: Survey): Promise<void> {
  const space = await survey.reader.readLink('/proc/self/ns/pid');
  if (space.ok && space.value === firstPidNamespace) return;
  const why = space.ok ? 'we run inside a container' : space.why;
  survey.unseen.push({ what: 'processes outside our own process namespace', why, decides: true });
}

/** The system's own file systems always have open files; naming those would bury the rest. */
function isWorthSaying({ how, majorMinor }: OpenFile, rootNumbers: ReadonlySet<string>): boolean {
  return how === 'device' || !rootNumbers.has(majorMinor);
}

interface ProcessLook {
  /** all processes */
  pids: readonly number[];
  mounted: MountedBlocks;
  exemptPids: readonly number[];
}

/** Notes processes that have a disk, a partition, or a file of the file system on it open. */
export async function recordOpenFiles(
  survey: Survey,
  { pids, mounted, exemptPids }: ProcessLook,
): Promise<void> {
  await checkNamespace(survey);
  const known = new Set(survey.map.byNumbers.keys());
  const { files, unseen } = await readOpenFiles(survey.reader, pids, {
    known,
    mounts: survey.tables.mounts,
    exempt: new Set(exemptPids),
  });
  survey.unseen.push(...unseen);
  const roots = new Set(
    (mounted.get('/') ?? []).map((name) => survey.map.byName.get(name)?.majorMinor ?? ''),
  );
  const counts = new Map<string, number>();
  for (const file of files.filter((one) => isWorthSaying(one, roots))) {
    const node = survey.map.byNumbers.get(file.majorMinor);
    const count = counts.get(file.majorMinor) ?? 0;
    if (!node || (file.how === 'file' && count >= mostFileUses)) continue;
    if (file.how === 'file') counts.set(file.majorMinor, count + 1);
    const suffix = file.how === 'file' ? ', with a file of its file system' : '';
    const what = `pid ${file.pid} (${file.command})${suffix}`;
    recordUse(survey, node.name, { kind: 'open-descriptor', what, pid: file.pid });
  }
}
