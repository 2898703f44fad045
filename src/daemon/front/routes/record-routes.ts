import * as z from 'zod';
import { callerOf } from '../caller.ts';
import type { Route } from '../route.ts';
import type { StationLink } from '../station-link.ts';
import { record } from './look-routes.ts';

const number = z.strictObject({ id: z.string().regex(/^[1-9]\d{0,9}$/) });

/** What was written where. */
export function recordRoutes(station: StationLink): Route[] {
  return [
    {
      method: 'GET',
      url: '/v1/records',
      needs: 'look',
      summary: 'What was written where, newest first',
      answer: z.object({ records: z.array(record) }),
      run: (request, _reply, right) => station.ask(callerOf(request, right), 'records', {}),
    },
    {
      method: 'GET',
      url: '/v1/records-check',
      needs: 'look',
      summary: 'The whole record store read, and whether all is as it was stored',
      answer: z.looseObject({ path: z.string(), problems: z.array(z.string()) }),
      run: (request, _reply, right) => station.ask(callerOf(request, right), 'checkRecords', {}),
    },
    {
      method: 'GET',
      url: '/v1/records-export',
      needs: 'look',
      summary: 'Sets, batches, cards and records with their rates',
      answer: z.looseObject({ format: z.literal('cardwright-records'), records: z.array(record) }),
      run: (request, _reply, right) => station.ask(callerOf(request, right), 'exportRecords', {}),
    },
    {
      method: 'GET',
      url: '/v1/records/:id',
      needs: 'look',
      summary: 'One record whole',
      params: number,
      answer: z.object({ record }),
      run: (request, _reply, right) =>
        station.ask(callerOf(request, right), 'record', {
          id: Number((request.params as { id: string }).id),
        }),
    },
  ];
}
