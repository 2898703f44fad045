import { createServer, type Server } from 'node:net';
import { parseArgs } from 'node:util';
import { pino } from 'pino';
import packageFacts from '../../../package.json' with { type: 'json' };
import { listenFds } from '../activation/listen-fds.ts';
import { tellSystem } from '../activation/tell-system.ts';
import { answerCall } from './answer-call.ts';
import { JobTable } from './jobs/job-table.ts';
import { runOrder } from './jobs/run-order.ts';
import { serveStation } from './serve-station.ts';
import { openParts } from './station-parts.ts';

/** The privileged part: owns the readers, and answers the front alone, on a socket that was opened for it. */
export async function main(argv: readonly string[]): Promise<void> {
  const { values } = parseArgs({
    args: [...argv],
    options: {
      policy: { type: 'string' },
      records: { type: 'string', default: '/var/lib/cardwright/records.db' },
      uploads: { type: 'string' },
    },
  });
  const log = pino({ base: { part: 'station' }, timestamp: pino.stdTimeFunctions.isoTime });
  const fd = listenFds(process.env, process.pid).get('station');
  if (fd === undefined) throw new Error('no socket was opened for the station');
  const { policy = null, records, uploads = null } = values;
  const { parts, interrupted } = await openParts({ policy, records, uploads }, packageFacts.version);
  const jobs = new JobTable((job, order, who) => runOrder(parts, job, order, who));
  for (const { id, state, node } of interrupted)
    log.warn({ record: id, state, node }, 'left by an earlier process');
  const server = createServer({ allowHalfOpen: true });
  serveStation(server, async (call, asker) => {
    const begun = Date.now();
    const { call: name, right, caller } = call;
    const told = { call: name, right, caller: caller.slice(0, 12) };
    try {
      const value = await answerCall({ parts, jobs, interrupted }, call, asker);
      log.info({ ...told, elapsedMs: Date.now() - begun }, 'answered');
      return value;
    } catch (error) {
      log.warn(
        { ...told, code: (error as { code?: unknown }).code, elapsedMs: Date.now() - begun },
        'refused',
      );
      throw error;
    }
  });
  server.listen({ fd });
  const stop = async () => {
    const { atStop } = parts.station.policy;
    log.info({ jobs: atStop }, 'stopping');
    await tellSystem('--stopping');
    await jobs.close(atStop);
    await closeServer(server);
    parts.records.close();
    process.exit();
  };
  process.once('SIGTERM', () => void stop());
  process.once('SIGINT', () => void stop());
  await tellSystem('--ready');
  log.info({ policy: parts.station.policy.source, records: parts.records.path }, 'ready');
}

/** Whoever still listens is given so long to take what was said. */
const partingMs = 2000;

async function closeServer(server: Server): Promise<void> {
  const closed = new Promise<void>((resolve) => server.close(() => resolve()));
  await Promise.race([closed, new Promise((resolve) => setTimeout(resolve, partingMs))]);
}
