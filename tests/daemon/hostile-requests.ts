/** Requests that nobody in their right mind sends, as bytes on the wire. What is expected stands beside each. */

export interface HostileRequest {
  name: string;
  bytes: string | Buffer;
  /** statuses that are right; null: hung up without a word */
  right: readonly (number | null)[];
  /** is nothing more said behind it? */
  ends: boolean;
}

const lines = (...all: string[]) => `${all.join('\r\n')}\r\n\r\n`;
const get = (target: string, ...headers: string[]) =>
  lines(`GET ${target} HTTP/1.1`, 'Host: localhost', 'Connection: close', ...headers);
const post = (target: string, body: string, ...headers: string[]) =>
  `${lines(
    `POST ${target} HTTP/1.1`,
    ...['Host: localhost', 'Connection: close', 'Content-Type: application/json'],
    ...[`Content-Length: ${Buffer.byteLength(body)}`, ...headers],
  )}${body}`;

const refused = [400, 401, 403, 404, 405, 409, 413, 414, 415, 417, 431, 501, 505];

const targets = [
  ...['/', '//', '/v1', '/v1/', '/v2/devices', '/v1/devices/', '/V1/DEVICES', '/v1/Devices', '/v1//devices'],
  ...['/v1/../v1/openapi', '/v1/%2e%2e/%2e%2e/etc/passwd', '/../../etc/passwd', '/..%2f..%2fetc%2fpasswd'],
  ...['/v1/records/0', '/v1/records/-1', '/v1/records/1.5', '/v1/records/1e3', '/v1/records/01'],
  ...[
    '/v1/records/99999999999999999999',
    '/v1/records/%00',
    '/v1/records/1%00',
    '/v1/records/..',
    '/v1/records/1;x',
  ],
  ...['/v1/records/1%2f2', '/v1/records/%f0%9f%8d%8e', '/v1/records/%ff', '/v1/records/%', '/v1/records/%zz'],
  ...['/v1/jobs/0/lines', '/v1/jobs/-1/lines', '/v1/jobs/1/lines?from=-1', '/v1/jobs/1/lines?from=x'],
  ...[
    '/v1/jobs/1/lines?from=1&from=2',
    '/v1/jobs/1/lines?more=1',
    '/v1/jobs/9999999999/lines',
    '/v1/jobs/../lines',
  ],
  ...[
    '/v1/jobs/__proto__/lines',
    '/v1/jobs/constructor/lines',
    '/v1/uploads/../../etc',
    '/v1/uploads/%2e%2e',
  ],
  ...[`/v1/records/${'9'.repeat(500)}`, `/${'a'.repeat(3000)}`, `/v1/devices/${'%41'.repeat(900)}`],
  ...['http://elsewhere.example/v1/none', '*', 'localhost:80', '/v1/devices#\u0000'],
];

const methods = [
  'PUT',
  'OPTIONS',
  'HEAD',
  'TRACE',
  'PROPFIND',
  'CONNECT',
  'LINK',
  'M-SEARCH',
  'QUERY',
  'get',
  'X',
];

const bodies = [
  ...[
    '',
    '{',
    '}',
    '[',
    'null',
    'true',
    '7',
    '"text"',
    '[]',
    '{}',
    '{"device":}',
    "{'device':'x'}",
    '{"device":"x"',
  ],
  ...['{"device":"x"}{"device":"x"}', '{"device":NaN}', '{"device":01}', '\ufeff{"device":"/dev/null"}x'],
  ...[
    '{"__proto__":{"device":"x"}}',
    '{"constructor":{"prototype":{"device":"x"}}}',
    '{"device":{"__proto__":1}}',
  ],
  ...['{"device":["x"]}', '{"device":""}', `{"device":"${'x'.repeat(301)}"}`, '{"device":"x\\u0000y"}'],
  ...['{"device":"\\ud800"}', '{"device":"x","more":1}', '{"device":null}', '{"device":1e400}'],
  ...['['.repeat(20_000), `${'{"a":'.repeat(10_000)}1${'}'.repeat(10_000)}`, `"${'x'.repeat(70_000)}"`],
];

const types = [
  ...[
    'text/plain',
    'application/xml',
    'multipart/form-data; boundary=x',
    'application/x-www-form-urlencoded',
  ],
  ...[
    'application/json; charset=utf-16',
    'application/octet-stream',
    'a',
    '/',
    'application/json, text/plain',
  ],
];

const authorizations = [
  ...[
    'Bearer',
    'Bearer ',
    'Bearer x',
    `Bearer ${'x'.repeat(42)}`,
    `Bearer ${'x'.repeat(129)}`,
    'Basic cm9vdDo=',
  ],
  ...[
    `bearer ${'x'.repeat(43)}`,
    `Bearer ${'x'.repeat(42)}!`,
    `Bearer ${'x'.repeat(43)} y`,
    'Digest username="root"',
  ],
];

const framings: [name: string, bytes: string, right?: readonly (number | null)[]][] = [
  ['no request at all', '\r\n\r\n\r\n', [400, null]],
  ['binary', '\u0000\u0001\u0002\u0003\r\n\r\n'],
  ['TLS', '\u0016\u0003\u0001\u0002\u0000\u0001\u0000\u0001\u00fc\u0003\u0003\r\n\r\n'],
  ['HTTP/0.9', 'GET /v1/devices\r\n\r\n'],
  ['HTTP/2 by its preface', 'PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n', [400, 505, null]],
  ['HTTP/3.0', lines('GET /v1/station HTTP/3.0', 'Host: localhost'), [400, 505]],
  ['no host', lines('GET /v1/station HTTP/1.1')],
  ['two hosts', lines('GET /v1/station HTTP/1.1', 'Host: a', 'Host: b')],
  [
    'two secrets',
    get('/v1/jobs', `Authorization: Bearer ${'x'.repeat(43)}`, `Authorization: Bearer ${'y'.repeat(43)}`),
  ],
  ['a header that is continued', lines('GET /v1/none HTTP/1.1', 'Host: localhost', 'X-Long: a', ' b')],
  ['a header without a name', lines('GET /v1/station HTTP/1.1', 'Host: localhost', ': x')],
  ['a header with a space in its name', lines('GET /v1/station HTTP/1.1', 'Host: localhost', 'A B: x')],
  ['a bare line feed', 'GET /v1/none HTTP/1.1\nHost: localhost\n\n', [400, 404]],
  ['a NUL in a header', lines('GET /v1/station HTTP/1.1', 'Host: localhost', 'X: a\u0000b')],
  ['headers of 20,000 bytes', get('/v1/station', `X: ${'y'.repeat(20_000)}`), [431]],
  ['3,000 headers', get('/v1/station', ...Array.from({ length: 3000 }, (_, at) => `X-${at}: y`)), [431]],
  ['two lengths', lines('POST /v1/identify HTTP/1.1', 'Host: a', 'Content-Length: 1', 'Content-Length: 2')],
  [
    'length and chunks',
    lines('POST /v1/identify HTTP/1.1', 'Host: a', 'Content-Length: 5', 'Transfer-Encoding: chunked'),
  ],
  ['a negative length', lines('POST /v1/identify HTTP/1.1', 'Host: a', 'Content-Length: -1')],
  ['a length in hex', lines('POST /v1/identify HTTP/1.1', 'Host: a', 'Content-Length: 0x10')],
  [
    'a length past all bounds',
    lines('POST /v1/identify HTTP/1.1', 'Host: a', 'Content-Length: 99999999999999999999'),
  ],
  ['an unknown coding', lines('POST /v1/identify HTTP/1.1', 'Host: a', 'Transfer-Encoding: gzip')],
  ['chunked twice', lines('POST /v1/identify HTTP/1.1', 'Host: a', 'Transfer-Encoding: chunked, chunked')],
  [
    'a chunk of no number',
    `${lines('POST /v1/identify HTTP/1.1', 'Host: a', 'Content-Type: application/json', 'Transfer-Encoding: chunked')}zz\r\nx\r\n`,
  ],
  [
    'a chunk past all bounds',
    `${lines('POST /v1/identify HTTP/1.1', 'Host: a', 'Content-Type: application/json', 'Transfer-Encoding: chunked')}ffffffffffffffffff\r\nx\r\n`,
  ],
  [
    'a body that is announced as larger than allowed',
    lines(
      'POST /v1/identify HTTP/1.1',
      'Host: a',
      'Content-Type: application/json',
      'Content-Length: 100000000',
    ),
    [413, 400],
  ],
  [
    'a second request behind the first',
    `${post('/v1/identify', '{')}GET /v1/devices HTTP/1.1\r\nHost: a\r\n\r\n`,
  ],
  ['an expectation that nobody has', get('/v1/none', 'Expect: 200-maybe'), [404, 417]],
  ['an upgrade', get('/v1/none', 'Upgrade: websocket', 'Connection: Upgrade'), [404, 400, null]],
  ['cut off in the request line', 'GET /v1/dev', [400, null]],
  ['cut off in the headers', 'GET /v1/devices HTTP/1.1\r\nHost: loc', [400, null]],
  ['cut off in the body', post('/v1/identify', '{"device":"x"}').slice(0, -3), [400, null]],
];

/** All of them: each to be refused, or hung up on, and nothing to come of it. */
export const hostileRequests: readonly HostileRequest[] = [
  ...targets.map((target) => ({
    name: `target ${target.slice(0, 60)}`,
    bytes: get(target),
    right: refused,
    ends: false,
  })),
  ...methods.map((method) => ({
    name: `method ${method}`,
    bytes: lines(`${method} /v1/devices HTTP/1.1`, 'Host: localhost', 'Connection: close'),
    right: [...refused, null],
    ends: true,
  })),
  ...bodies.flatMap((body) =>
    ['/v1/identify', '/v1/uploads', '/v1/jobs'].map((target) => ({
      name: `${target} with the body ${body.slice(0, 40)}`,
      bytes: post(target, body),
      right: refused,
      ends: false,
    })),
  ),
  ...types.map((type) => ({
    name: `type ${type}`,
    bytes: `${lines('POST /v1/identify HTTP/1.1', 'Host: localhost', 'Connection: close', `Content-Type: ${type}`, 'Content-Length: 2')}{}`,
    right: refused,
    ends: false,
  })),
  ...authorizations.map((authorization) => ({
    name: `authorization ${authorization.slice(0, 30)}`,
    bytes: get('/v1/jobs', `Authorization: ${authorization}`),
    right: refused,
    ends: false,
  })),
  ...framings.map(([name, bytes, right = [400, null]]) => ({
    name,
    bytes: Buffer.from(bytes, 'latin1'),
    right,
    ends: true,
  })),
];
