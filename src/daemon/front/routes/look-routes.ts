import * as z from 'zod';
import { deviceName } from '../../contract/job-orders.ts';
import { callerOf } from '../caller.ts';
import type { Route } from '../route.ts';
import type { StationLink } from '../station-link.ts';

const findings = z.array(z.looseObject({ code: z.string(), severity: z.string() }));
const disk = z.looseObject({ node: z.string(), name: z.string(), sizeBytes: z.number(), kind: z.string() });
export const record = z.looseObject({ id: z.number(), state: z.string(), node: z.string().nullable() });
const fileState = z.object({ path: z.string(), state: z.string() });

/** What can be seen without changing anything. */
export function lookRoutes(station: StationLink, about: { version: string }): Route[] {
  return [
    {
      method: 'GET',
      url: '/v1/station',
      needs: 'look',
      summary: 'The version of this daemon, and what this socket allows',
      answer: z.object({ version: z.string(), right: z.string() }),
      run: async (_request, _reply, right) => ({ ...about, right }),
    },
    {
      method: 'GET',
      url: '/v1/devices',
      needs: 'look',
      summary: 'Every disk with its verdict; approval codes only for those who may write',
      answer: z.object({
        graph: z.looseObject({ disks: z.array(disk) }),
        looks: z.array(
          z.object({
            result: z.object({ verdict: z.string(), findings }),
            code: z.string().nullable(),
            lastWritten: z.string().nullable(),
          }),
        ),
      }),
      run: (request, _reply, right) => station.ask(callerOf(request, right), 'look', {}),
    },
    {
      method: 'POST',
      url: '/v1/identify',
      needs: 'look',
      summary: 'Which node, set, image and record the card in a reader is',
      body: z.strictObject({ device: deviceName }),
      answer: z.object({
        disk,
        read: z.looseObject({ findings }),
        matches: z.array(record),
        origin: z
          .string()
          .nullable()
          .meta({ description: 'ours, altered, unproven, not-ours; null: it says nothing of itself' }),
        look: z.looseObject({ files: z.array(fileState).nullable() }).nullable(),
      }),
      run: (request, _reply, right) =>
        station.ask(callerOf(request, right), 'identify', request.body as { device: string }),
    },
  ];
}
