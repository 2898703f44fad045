import type { FastifyError, FastifyReply, FastifyRequest } from 'fastify';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { escapeText } from '../../contract/escape-text.ts';
import { errorForm } from '../contract/error-form.ts';

const statusOfExit: Readonly<Record<number, number>> = { 2: 400, 3: 409, 4: 422, 9: 409, 10: 404, 11: 503 };
const statusOfCode: Readonly<Partial<Record<string, number>>> = {
  'daemon.no-such-thing': 404,
  'daemon.no-such-job': 404,
  'daemon.no-such-upload': 404,
  'daemon.upload-refused': 409,
  'daemon.no-room': 507,
  'daemon.not-allowed': 403,
  'daemon.busy': 429,
  'daemon.station-away': 503,
  'records.no-such-record': 404,
};

/** HTTP status (RFC 9110, section 15) of an error: what a cache or a proxy would need; programs go by the code. */
export function httpStatus(error: CardwrightError): number {
  return statusOfCode[error.code] ?? statusOfExit[error.exitStatus] ?? 500;
}

/** An error of the framework is a request that makes no sense, in our words; any other that we do not know is a fault. */
function known(error: unknown): { error: CardwrightError; status: number } {
  if (error instanceof CardwrightError) return { error, status: httpStatus(error) };
  const { statusCode = 500, message } = error as FastifyError;
  if (statusCode >= 500)
    return {
      error: new CardwrightError('usage.unexpected', { facts: { reason: escapeText(message) } }),
      status: 500,
    };
  return {
    error: new CardwrightError('daemon.bad-request', { facts: { why: escapeText(message) } }),
    status: statusCode,
  };
}

export function sayError(cause: unknown, request: FastifyRequest, reply: FastifyReply): void {
  const { error, status } = known(cause);
  (request as { verdict?: string }).verdict = error.code;
  if (status >= 500) request.log.error({ error: cause }, 'failed');
  // Whatever of the body is still on its way is not wanted any more.
  if (status === 413) reply.header('connection', 'close');
  void reply.status(status).send({ ...errorForm(error), what: error.message, next: error.next });
}
