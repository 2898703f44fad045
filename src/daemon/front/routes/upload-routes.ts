import type { FastifyRequest } from 'fastify';
import * as z from 'zod';
import { CardwrightError } from '../../../contract/cardwright-error.ts';
import { sha256Hex } from '../../contract/image-form.ts';
import type { Right } from '../../contract/rights.ts';
import { callerOf } from '../caller.ts';
import type { Route } from '../route.ts';
import type { Uploads } from '../uploads.ts';

/** One piece of an image is no longer than this: more is never in memory for one request. */
const mostPieceBytes = 4 * 2 ** 20;

const state = z.object({
  sha256: sha256Hex,
  sizeBytes: z.number(),
  receivedBytes: z.number(),
  isComplete: z.boolean(),
});
const params = z.strictObject({ sha256: sha256Hex });
const wanted = z.strictObject({ sha256: sha256Hex, sizeBytes: z.int().min(1) });

/** Images come as bytes: no path of a client's is ever opened. */
export function uploadRoutes(uploads: Uploads): Route[] {
  const who = (request: FastifyRequest, right: Right) => callerOf(request, right).caller;
  const shaOf = ({ params: given }: FastifyRequest) => (given as z.infer<typeof params>).sha256;
  return [
    {
      method: 'GET',
      url: '/v1/uploads',
      needs: 'write',
      summary: 'Your images that are here',
      answer: z.object({ uploads: z.array(state) }),
      run: async (request, _reply, right) => ({ uploads: uploads.list(who(request, right)) }),
    },
    {
      method: 'POST',
      url: '/v1/uploads',
      needs: 'write',
      summary: 'Begins to send an image, or says how much of it is here',
      body: wanted,
      answer: state,
      run: async (request, _reply, right) =>
        uploads.begin(who(request, right), request.body as z.infer<typeof wanted>),
    },
    {
      method: 'PATCH',
      url: '/v1/uploads/:sha256',
      needs: 'write',
      summary: 'The next piece of an image, from the byte that ?offset= names',
      params,
      query: z.strictObject({ offset: z.string().regex(/^\d{1,15}$/) }),
      rawBody: true,
      mostBodyBytes: mostPieceBytes,
      answer: state,
      async run(request, _reply, right) {
        if (!Buffer.isBuffer(request.body) || request.body.length === 0) {
          throw new CardwrightError('daemon.bad-request', { facts: { why: 'a piece has bytes' } });
        }
        const { offset } = request.query as { offset: string };
        return uploads.append(who(request, right), shaOf(request), Number(offset), request.body);
      },
    },
    {
      method: 'DELETE',
      url: '/v1/uploads/:sha256',
      needs: 'write',
      summary: 'Drops an image',
      params,
      answer: z.object({}),
      async run(request, _reply, right) {
        uploads.drop(who(request, right), shaOf(request));
        return {};
      },
    },
  ];
}
