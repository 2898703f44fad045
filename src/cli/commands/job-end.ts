import { basename } from 'node:path';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import type { ImageLayout } from '../../contract/job.ts';
import type { PlanNode } from '../../contract/plan.ts';
import { holdUntilGone } from '../../job/station/let-go.ts';
import type { JobBegun, WrittenCard } from '../../job/station/write-card.ts';
import type { Desk } from '../desk.ts';
import { done } from '../run-command.ts';
import { doneScreen } from '../screens/done-screen.ts';
import { notDoneScreen } from '../screens/not-done-screen.ts';
import { errorFields, findingFields } from '../text/json-lines.ts';

/** What the end of a job is told with. */
export interface JobToTell {
  node: PlanNode | null;
  imagePath: string;
  layout: ImageLayout;
}

/**
 * Runs a job on a card and shows its end: done, or not done and why. After a good end the card is ejected, or held
 * until the person at the terminal has taken it out.
 *
 * @throws CardwrightError where the job did not come so far as to have a record
 */
export async function tellJob(
  desk: Desk,
  job: JobToTell,
  run: (onBegun: JobBegun) => Promise<WrittenCard>,
): Promise<ExitStatus> {
  let begun: Parameters<JobBegun>[0] | null = null;
  try {
    const written = await run((what) => {
      begun = what;
      const { recordId, card } = what;
      desk
        .log()
        .info(
          { record: recordId, node: job.node?.name, disk: card.identity, user: process.env.SUDO_USER },
          'job begun',
        );
    });
    return await tellDone(desk, job, written);
  } catch (error) {
    const known = begun as Parameters<JobBegun>[0] | null;
    if (!(error instanceof CardwrightError) || !known) throw error;
    const failed = {
      error,
      identity: known.card.identity,
      node: job.node?.name ?? null,
      recordId: known.recordId,
    };
    desk.output.show(
      'not-done',
      { ...errorFields(error), record: known.recordId, node: failed.node },
      (sheet) => notDoneScreen({ ...failed, layout: job.layout }, sheet),
    );
    return error.exitStatus;
  }
}

async function tellDone(
  desk: Desk,
  job: JobToTell,
  { outcome, card, disk }: WrittenCard,
): Promise<ExitStatus> {
  const release = (await card.eject()) ? 'ejected' : 'take it out';
  const files = (outcome.edit?.files ?? []).map(({ path }) => path);
  const { edit, findings, ...told } = outcome;
  desk.output.show(
    'done',
    {
      ...told,
      findings: findings.map(findingFields),
      node: job.node?.name ?? null,
      slot: job.node?.slot ?? null,
      files,
      release,
    },
    (sheet) =>
      doneScreen(
        {
          result: outcome,
          node: job.node?.name ?? null,
          slot: job.node?.slot ?? null,
          image: basename(job.imagePath),
          files,
          hostKeys: outcome.hostKeyFingerprints,
          release,
        },
        sheet,
      ),
  );
  const isWatched = process.stdin.isTTY === true && disk.kind !== 'loop';
  if (release === 'take it out' && isWatched) await holdUntilGone(card, desk.signal);
  else card.close();
  return done;
}
