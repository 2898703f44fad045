import { createHash } from 'node:crypto';
import type { FastifyRequest } from 'fastify';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { escapeText } from '../../contract/escape-text.ts';
import type { Right } from '../contract/rights.ts';
import type { AskedBy } from './station-link.ts';

const bearer = /^Bearer ([A-Za-z0-9_-]{43,128})$/;
const nobody = createHash('sha256').update('').digest('hex');

/**
 * Whose jobs and codes somebody asks about is told by a secret of their own (RFC 6750, section 2.1); only its digest
 * goes any further. Node cannot ask a socket which user is at its other end.
 *
 * @throws CardwrightError `daemon.bad-request` for a secret of another form
 */
export function callerOf(request: FastifyRequest, right: Right): AskedBy {
  const given = request.headers.authorization;
  if (given === undefined) return { right, caller: nobody };
  const secret = bearer.exec(given)?.[1];
  if (secret === undefined) {
    throw new CardwrightError('daemon.bad-request', { facts: { why: 'authorization is no bearer secret' } });
  }
  return { right, caller: createHash('sha256').update(secret).digest('hex') };
}

/** What a caller calls itself: for the log alone, believed by nobody. */
export function claimedUser(request: FastifyRequest): string | null {
  const name = request.headers['cardwright-user'];
  return typeof name === 'string' ? escapeText(name, 40) : null;
}
