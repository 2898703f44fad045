import { type IncomingMessage, request } from 'node:http';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { errorOf } from '../../daemon/contract/error-form.ts';
import type { JobLine } from '../../daemon/contract/job-lines.ts';
import { mostAnswerBytes } from '../../daemon/contract/station-calls.ts';
import { readLines, WireError } from '../../daemon/contract/wire.ts';
import { type DaemonAddress, frontAway, headersFor, readJson } from './call-daemon.ts';

/** How often a stream that broke off is joined again, and how long apart. */
const mostJoins = 5;
const pauseMs = 400;

/**
 * The lines of a job, from the first or from a given one, until it is over. A stream that breaks off is joined again
 * where it stopped.
 *
 * @throws CardwrightError `daemon.front-away`, `daemon.no-such-job`, `daemon.not-understood`
 */
export async function* followJob(address: DaemonAddress, job: number, from = 0): AsyncGenerator<JobLine> {
  let next = from;
  let hasEnded = false;
  for (let joins = 0; ; joins++) {
    try {
      for await (const line of joinOnce(address, job, next)) {
        next = line.n + 1;
        hasEnded = line.type === 'end' || line.type === 'failed';
        joins = 0;
        yield line;
      }
      return;
    } catch (error) {
      const mayJoin = error instanceof CardwrightError && error.code === 'daemon.front-away';
      // Nothing that matters comes after the end.
      if (mayJoin && hasEnded) return;
      if (!mayJoin || joins >= mostJoins) throw error;
      await new Promise((resolve) => setTimeout(resolve, pauseMs));
    }
  }
}

async function* joinOnce(address: DaemonAddress, job: number, from: number): AsyncGenerator<JobLine> {
  const path = `/v1/jobs/${job}/lines?from=${from}`;
  const answer = await new Promise<IncomingMessage>((resolve, reject) => {
    const { socketPath } = address;
    const asked = request({ socketPath, path, agent: false, headers: headersFor(address) }, resolve);
    asked.once('error', (error) => reject(frontAway(error)));
    asked.end();
  });
  if ((answer.statusCode ?? 500) >= 400) throw errorOf(await readJson(answer));
  try {
    for await (const line of readLines(answer, mostAnswerBytes)) yield line as JobLine;
  } catch (error) {
    // Lines that end in the midst of one are a stream that broke off.
    throw error instanceof WireError || !(error instanceof CardwrightError) ? frontAway(error) : error;
  } finally {
    answer.destroy();
  }
}
