import type { JobView } from '../../daemon/contract/job-lines.ts';
import { formatDay } from '../text/durations.ts';
import type { Tone } from '../text/ink.ts';
import { entry, type Sheet } from '../text/sheet.ts';
import { table } from '../text/table.ts';

export interface JobsToShow {
  jobs: readonly JobView[];
  /** numbers of records that an earlier process of the station left unfinished */
  interrupted: readonly { id: number; state: string; node: string | null }[];
}

const columns = [
  { head: 'job', align: 'right' as const },
  { head: 'began' },
  { head: 'what' },
  { head: 'node' },
  { head: 'reader' },
  { head: 'stands' },
  { head: 'record', align: 'right' as const },
];

/** The daemon's jobs, newest last; what was cut off before it was started; and what can be done. */
export function jobsScreen(
  { jobs, interrupted }: JobsToShow,
  options: Sheet & { nowMs: number | null; timeZone?: string },
): string[] {
  const rows = jobs.map((job) => ({
    cells: [
      `${job.id}`,
      formatDay(job.begunAtMs, options.nowMs, options.timeZone),
      `${job.kind}${job.isOwn ? '' : ' (not yours)'}`,
      job.node ?? '',
      job.device ?? 'any',
      { text: standingOf(job), tone: toneOf(job) },
      job.record === null ? '' : `${job.record}`,
    ],
  }));
  const open = jobs.find(({ standing }) => standing !== 'ended');
  return [
    ...(rows.length > 0 ? table(options, columns, rows) : ['No job of yours runs or has run here.']),
    ...entry(
      options,
      'cut off',
      interrupted.map(
        ({ id, node, state }) => `record ${id}${node === null ? '' : ` (${node})`} is ${state}`,
      ),
      { tone: 'bad' },
    ),
    ...entry(
      options,
      'next',
      open
        ? [`cardwright jobs attach ${open.id} to watch it`, `cardwright jobs cancel ${open.id} to end it`]
        : [],
      { tone: 'strong' },
    ),
  ];
}

function standingOf({ standing, phase, end }: JobView): string {
  if (standing === 'ended') return end ?? 'ended';
  if (standing === 'asking') return 'waits for the code';
  return phase ?? 'begins';
}

function toneOf({ standing, end }: JobView): Tone {
  if (standing !== 'ended') return 'care';
  return end === 'done' ? 'good' : 'bad';
}
