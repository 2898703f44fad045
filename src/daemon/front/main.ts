import { parseArgs } from 'node:util';
import type { FastifyInstance } from 'fastify';
import { pino } from 'pino';
import packageFacts from '../../../package.json' with { type: 'json' };
import { listenFds } from '../activation/listen-fds.ts';
import { tellSystem } from '../activation/tell-system.ts';
import { rights } from '../contract/rights.ts';
import { makeServer } from './make-server.ts';
import { openRequestLog } from './request-log.ts';
import { jobRoutes } from './routes/job-routes.ts';
import { lookRoutes } from './routes/look-routes.ts';
import { recordRoutes } from './routes/record-routes.ts';
import { uploadRoutes } from './routes/upload-routes.ts';
import { linkStation } from './station-link.ts';
import { Uploads } from './uploads.ts';

/** What is being answered when we are told to end is given so long. */
const partingMs = 2000;

/** The part that people talk to: HTTP and JSON on sockets that were opened for it. It sees no disk. */
export async function main(argv: readonly string[]): Promise<void> {
  const { values } = parseArgs({
    args: [...argv],
    options: {
      station: { type: 'string', default: '/run/cardwright-station/station.sock' },
      uploads: { type: 'string' },
    },
  });
  const log = openRequestLog(pino.destination({ fd: 1, sync: true }), process.stdout.isTTY === true);
  const { version } = packageFacts;
  const station = linkStation(values.station);
  const { uploads } = values;
  const routes = [
    ...lookRoutes(station, { version }),
    ...recordRoutes(station),
    ...jobRoutes(station),
    ...(uploads === undefined ? [] : uploadRoutes(openUploads(uploads))),
  ];
  const fds = listenFds(process.env, process.pid);
  const servers: FastifyInstance[] = [];
  for (const right of rights) {
    const fd = fds.get(right);
    if (fd === undefined) continue;
    const server = await makeServer(right, routes, log, version);
    await server.ready();
    server.server.listen({ fd });
    servers.push(server);
  }
  if (servers.length === 0) throw new Error('no socket was opened for the front');
  const stop = async () => {
    void tellSystem('--stopping');
    for (const { server } of servers) {
      server.close();
      // Whoever takes longer than this to say what they want is not waited for.
      setTimeout(() => server.closeAllConnections(), partingMs).unref();
    }
    await Promise.all(servers.map((server) => server.close()));
    process.exit();
  };
  process.once('SIGTERM', () => void stop());
  process.once('SIGINT', () => void stop());
  await tellSystem('--ready');
  log.info({ rights: servers.length }, 'ready');
}

const lookForExpiredMs = 15 * 60_000;

function openUploads(folder: string): Uploads {
  const uploads = new Uploads(folder);
  uploads.dropExpired();
  setInterval(() => uploads.dropExpired(), lookForExpiredMs).unref();
  return uploads;
}
