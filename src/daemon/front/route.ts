import type { FastifyInstance, FastifyReply, FastifyRequest } from 'fastify';
import * as z from 'zod';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { errorSchema } from '../contract/error-form.ts';
import { includesRight, type Right } from '../contract/rights.ts';

/** One thing that can be asked for over HTTP, described once: it is checked, served and documented from this. */
export interface Route {
  method: 'GET' | 'POST' | 'PATCH' | 'DELETE';
  url: string;
  needs: Right;
  summary: string;
  params?: z.ZodType;
  query?: z.ZodType;
  body?: z.ZodType;
  /** a body that is no JSON is handed over as it comes */
  rawBody?: true;
  answer: z.ZodType;
  answerType?: string;
  mostBodyBytes?: number;
  run(request: FastifyRequest, reply: FastifyReply, held: Right): Promise<unknown>;
}

/** Inputs are checked strictly; answers are described, and only ever gain fields. */
function jsonSchema(schema: z.ZodType): object {
  const { $schema: _dialect, ...rest } = z.toJSONSchema(schema, { target: 'draft-7', io: 'input' });
  return rest;
}

const failure = {
  description: 'what was wrong: a code of the catalogue with its facts',
  content: {
    'application/json': { schema: jsonSchema(errorSchema.extend({ what: z.string(), next: z.string() })) },
  },
};

/** Puts a route onto the server of one right; where that right is too small, it says so. */
export function addRoute(server: FastifyInstance, route: Route, held: Right): void {
  const { method, url, needs } = route;
  const content = { [route.answerType ?? 'application/json']: { schema: jsonSchema(route.answer) } };
  server.route({
    method,
    url,
    schema: {
      summary: route.summary,
      description: `Takes the right to ${needs}.`,
      ...(route.params ? { params: jsonSchema(route.params) } : {}),
      ...(route.query ? { querystring: jsonSchema(route.query) } : {}),
      ...(route.body ? { body: jsonSchema(route.body) } : {}),
      ...(route.rawBody ? { consumes: ['application/octet-stream'] } : {}),
      response: { 200: { description: route.summary, content }, '4xx': failure, '5xx': failure },
    },
    ...(route.mostBodyBytes === undefined ? {} : { bodyLimit: route.mostBodyBytes }),
    onRequest: async () => {
      if (!includesRight(held, needs)) {
        throw new CardwrightError('daemon.not-allowed', { facts: { needed: needs, held } });
      }
    },
    handler: (request, reply) => route.run(request, reply, held),
  });
}
