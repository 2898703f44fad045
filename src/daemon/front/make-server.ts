import swagger from '@fastify/swagger';
import fastify, {
  type FastifyBaseLogger,
  type FastifyInstance,
  type FastifyRequest,
  LogController,
} from 'fastify';
import type { Logger } from 'pino';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { escapeText } from '../../contract/escape-text.ts';
import type { Right } from '../contract/rights.ts';
import { callerOf, claimedUser } from './caller.ts';
import { addRoute, type Route } from './route.ts';
import { sayError } from './say-error.ts';

/** Bounds that no request gets past, whatever its route. */
const mostHeaderBytes = 8192;
const mostBodyBytes = 65_536;
const mostConnections = 200;

/** The HTTP server of one right. All three know every route; one that takes more than its right says so. */
export async function makeServer(
  right: Right,
  routes: readonly Route[],
  log: Logger,
  version: string,
): Promise<FastifyInstance> {
  const server = fastify({
    loggerInstance: log.child({ right }) as FastifyBaseLogger,
    logController: new LogController({ disableRequestLogging: true }),
    bodyLimit: mostBodyBytes,
    requestTimeout: 60_000,
    connectionTimeout: 90_000,
    keepAliveTimeout: 5000,
    http: { maxHeaderSize: mostHeaderBytes, headersTimeout: 10_000, requireHostHeader: true },
    routerOptions: { maxParamLength: 80, caseSensitive: true },
    exposeHeadRoutes: false,
    onProtoPoisoning: 'error',
    onConstructorPoisoning: 'error',
    ajv: { customOptions: { removeAdditional: false, coerceTypes: false, useDefaults: false } },
    return503OnClosing: true,
  });
  server.server.maxConnections = mostConnections;
  // Answers only ever gain fields: the description must not cut any off.
  server.setSerializerCompiler(() => (data) => JSON.stringify(data));
  server.setErrorHandler(sayError);
  server.setNotFoundHandler(async () => {
    throw new CardwrightError('daemon.no-such-thing', { facts: { what: 'such address' } });
  });
  logRequests(server, right);
  server.addHook('onRequest', async ({ raw }) => refuseTwice(raw.rawHeaders));
  // A body of JSON has to say that it is one: nothing else is guessed at.
  server.removeContentTypeParser('text/plain');
  server.addContentTypeParser('application/octet-stream', { parseAs: 'buffer' }, (_request, body, done) => {
    done(null, body);
  });
  await server.register(swagger, {
    openapi: {
      openapi: '3.1.0',
      info: {
        title: 'Cardwright station',
        version,
        description: 'Cards made on the readers of one station.',
      },
      servers: [{ url: 'http://localhost', description: 'over a Unix socket: one for each right' }],
    },
  });
  await server.register(async (scope) => {
    for (const route of routes) addRoute(scope, route, right);
    scope.get('/v1/openapi.json', { schema: { hide: true } }, async () => server.swagger());
  });
  return server;
}

/** RFC 9112, section 3.2, of the host; whose request it is must not be told twice, either. */
const onceOnly = ['host', 'authorization'];

/** @throws CardwrightError `daemon.bad-request` */
function refuseTwice(rawHeaders: readonly string[]): void {
  const names = rawHeaders.filter((_, at) => at % 2 === 0).map((name) => name.toLowerCase());
  const twice = onceOnly.find((name) => names.filter((one) => one === name).length > 1);
  if (twice === undefined) return;
  throw new CardwrightError('daemon.bad-request', { facts: { why: `${twice} is given twice` } });
}

function logRequests(server: FastifyInstance, right: Right): void {
  const line = (request: FastifyRequest) => ({
    who: whoOf(request, right),
    says: claimedUser(request),
    what: `${request.method} ${escapeText(request.url.split('?')[0] ?? '', 120)}`,
  });
  server.addHook('onResponse', async (request, reply) => {
    const verdict = (request as { verdict?: string }).verdict ?? 'done';
    const elapsedMs = Math.round(reply.elapsedTime);
    request.log.info({ ...line(request), status: reply.statusCode, verdict, elapsedMs }, 'request');
  });
  server.addHook('onRequestAbort', async (request) => {
    request.log.info({ ...line(request), verdict: 'hung up' }, 'request');
  });
}

function whoOf(request: FastifyRequest, right: Right): string {
  try {
    return callerOf(request, right).caller.slice(0, 12);
  } catch {
    // The request was refused for exactly that.
    return 'unreadable';
  }
}
