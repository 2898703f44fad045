import { PassThrough } from 'node:stream';
import type { FastifyReply, FastifyRequest } from 'fastify';
import * as z from 'zod';
import type { JobOrder } from '../../contract/job-orders.ts';
import type { Right } from '../../contract/rights.ts';
import { wireLine } from '../../contract/wire.ts';
import { callerOf } from '../caller.ts';
import type { Route } from '../route.ts';
import type { StationLink } from '../station-link.ts';
import { record } from './look-routes.ts';

/** A plan with the files that it carries. */
const mostOrderBytes = 20 * 2 ** 20;

const params = z.strictObject({ id: z.string().regex(/^[1-9]\d{0,9}$/) });
const job = z.looseObject({ id: z.number(), kind: z.string(), standing: z.string() });
const answer = z.strictObject({ question: z.int().min(0), typed: z.string().max(300).nullable() });
/** The order's own form is checked by the station, which alone decides by it. */
const order = z.looseObject({ kind: z.string() });

/** Jobs: begun, followed, left and joined again. */
export function jobRoutes(station: StationLink): Route[] {
  const idOf = ({ params: given }: FastifyRequest) => Number((given as { id: string }).id);
  return [
    {
      method: 'GET',
      url: '/v1/jobs',
      needs: 'write',
      summary: 'Your jobs; with the right to administer, everybody’s',
      answer: z.object({ jobs: z.array(job), interrupted: z.array(record) }),
      run: (request, _reply, right) => station.ask(callerOf(request, right), 'jobs', {}),
    },
    {
      method: 'POST',
      url: '/v1/jobs',
      needs: 'write',
      summary: 'Begins a job: write, personalize, foresee or verify',
      body: order,
      mostBodyBytes: mostOrderBytes,
      answer: z.object({ job: z.number() }),
      run: (request, _reply, right) =>
        station.ask(callerOf(request, right), 'startJob', { order: request.body as JobOrder }),
    },
    {
      method: 'GET',
      url: '/v1/jobs/:id/lines',
      needs: 'write',
      summary: 'What a job tells, one JSON object a line, from the line that ?from= names; ends with the job',
      params,
      query: z.strictObject({
        from: z
          .string()
          .regex(/^\d{1,10}$/)
          .optional(),
      }),
      answer: z.looseObject({ n: z.number(), type: z.string() }),
      answerType: 'application/x-ndjson',
      run: (request, reply, right) => tellLines(station, { request, reply, right, job: idOf(request) }),
    },
    {
      method: 'POST',
      url: '/v1/jobs/:id/answer',
      needs: 'write',
      summary: 'Answers the question that a job asks',
      params,
      body: answer,
      answer: z.object({ isTaken: z.boolean() }),
      run: (request, _reply, right) =>
        station.ask(callerOf(request, right), 'answerJob', {
          job: idOf(request),
          ...(request.body as z.infer<typeof answer>),
        }),
    },
    {
      method: 'POST',
      url: '/v1/jobs/:id/cancel',
      needs: 'write',
      summary: 'Cancels a job; a card that is being written is left unbootable',
      params,
      answer: z.object({}),
      run: (request, _reply, right) =>
        station.ask(callerOf(request, right), 'cancelJob', { job: idOf(request) }),
    },
  ];
}

interface Following {
  request: FastifyRequest;
  reply: FastifyReply;
  right: Right;
  job: number;
}

/** The first line decides about the answer's status; after it, whatever goes wrong ends the stream. */
async function tellLines(station: StationLink, following: Following): Promise<unknown> {
  const { request, reply, right, job: id } = following;
  const { from } = request.query as { from?: string };
  const gone = new AbortController();
  const lines = new PassThrough();
  request.raw.socket.once('close', () => gone.abort());
  let isBegun = false;
  const begin = () => {
    isBegun = true;
    void reply.type('application/x-ndjson').send(lines);
  };
  const order = { job: id, from: Number(from ?? 0) };
  const end = station.follow(callerOf(request, right), 'followJob', order, {
    signal: gone.signal,
    event(line) {
      if (!isBegun) begin();
      lines.write(wireLine(line));
    },
  });
  try {
    await end;
    if (!isBegun) begin();
    lines.end();
  } catch (error) {
    if (!isBegun) throw error;
    lines.destroy();
  }
  return reply;
}
