import { basename } from 'node:path';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { CardIdentity } from '../../contract/devices.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import type { ImageLayout } from '../../contract/job.ts';
import type { PlanNode } from '../../contract/plan.ts';
import { holdUntilGone } from '../../job/station/let-go.ts';
import type { RecordedOutcome } from '../../job/station/run-recorded-job.ts';
import type { WrittenCard } from '../../job/station/write-card.ts';
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

/** Told once there is a record, so that a failure can be shown with it. */
export type TellBegun = (begun: { recordId: number; card: CardIdentity }) => void;

/** A card that is done, here or in the daemon's hands. */
export interface MadeCard {
  outcome: RecordedOutcome;
  release: 'ejected' | 'take it out';
  /** lets go of the card; resolves once it may be */
  letGo(): Promise<void>;
}

/** Is there a person at the terminal who takes a card out? */
export const isWatched = (): boolean => process.stdin.isTTY === true;

/** Ejects a card that was made in this process; or holds it, until the person at the terminal has taken it out. */
export async function releaseHere(desk: Desk, { outcome, card, disk }: WrittenCard): Promise<MadeCard> {
  const isEjected = await card.eject();
  return {
    outcome,
    release: isEjected ? 'ejected' : 'take it out',
    async letGo() {
      if (!isEjected && isWatched() && disk.kind !== 'loop') await holdUntilGone(card, desk.signal);
      else card.close();
    },
  };
}

/**
 * Runs a job on a card and shows its end: done, or not done and why.
 *
 * @throws CardwrightError where the job did not come so far as to have a record
 */
export async function tellJob(
  desk: Desk,
  job: JobToTell,
  run: (tellBegun: TellBegun) => Promise<MadeCard>,
): Promise<ExitStatus> {
  let begun: Parameters<TellBegun>[0] | null = null;
  try {
    const made = await run((what) => {
      begun = what;
      const { recordId, card } = what;
      desk
        .log()
        .info(
          { record: recordId, node: job.node?.name, disk: card, user: process.env.SUDO_USER },
          'job begun',
        );
    });
    return await tellDone(desk, job, made);
  } catch (error) {
    const known = begun as Parameters<TellBegun>[0] | null;
    if (!(error instanceof CardwrightError) || !known) throw error;
    const failed = {
      error,
      identity: known.card,
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
  { outcome, release, letGo }: MadeCard,
): Promise<ExitStatus> {
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
  await letGo();
  return done;
}
