import { connect, type Socket } from 'node:net';
import type { Client, ServerHostKeyAlgorithm } from 'ssh2';
import { fingerprintOf } from '../../identity/keys/fingerprint.ts';
import { takeString } from '../../identity/keys/ssh-wire.ts';
import type { Meeting, MetKey } from './meeting.ts';

export interface MeetOptions {
  /** key types that were made for nodes, "ssh-ed25519": they are asked for first, each by itself */
  types: readonly string[];
  signal: AbortSignal;
  port?: number;
  /** how long a connection may take to open */
  connectMs?: number;
  /** how long the other side may take to say anything: a server that is started by the connection needs a moment */
  firstByteMs?: number;
  /** how long a whole handshake may take: a small computer that is busy starting needs seconds */
  handshakeMs?: number;
}

/** A handshake takes about 2 KiB: whoever sends more before its end is no SSH server in order. */
const mostBytes = 64 * 1024;

/** Signature algorithms of each key type, the better first (RFC 8332, RFC 8709, RFC 5656). */
const algorithms: Readonly<Record<string, readonly ServerHostKeyAlgorithm[]>> = {
  'ssh-ed25519': ['ssh-ed25519'],
  'ssh-rsa': ['rsa-sha2-512', 'rsa-sha2-256'],
  'ecdsa-sha2-nistp256': ['ecdsa-sha2-nistp256'],
  'ecdsa-sha2-nistp384': ['ecdsa-sha2-nistp384'],
  'ecdsa-sha2-nistp521': ['ecdsa-sha2-nistp521'],
};

type Handshake = Meeting | { kind: 'no-such-type' };

/**
 * Meets the SSH host keys of a machine: a handshake as far as the server's signature, which proves that it holds the
 * key (RFC 4253 section 8), then goodbye before anybody logs in. One more for each further type that was made here.
 * Never throws for what the other side does.
 */
export async function meetHostKeys(address: string, options: MeetOptions): Promise<Meeting> {
  const { types } = options;
  const rest = Object.keys(algorithms).filter((type) => !types.includes(type));
  const first = await shakeHands(address, [...types, ...rest], options);
  if (first.kind === 'no-such-type') return { kind: 'broken', why: 'it has no host key of a known type' };
  if (first.kind !== 'keys') return first;
  const keys = [...first.keys];
  for (const type of types) {
    if (keys.some((key) => key.type === type)) continue;
    const next = await shakeHands(address, [type], options);
    // A machine was met already: what a further handshake lacks takes nothing away from that.
    if (next.kind === 'keys') keys.push(...next.keys);
  }
  return { kind: 'keys', keys };
}

async function shakeHands(
  address: string,
  types: readonly string[],
  options: MeetOptions,
): Promise<Handshake> {
  // Only here: the library takes a while to load, and most commands never need it.
  const { default: library } = await import('ssh2');
  if (options.signal.aborted) return { kind: 'silent' };
  const socket = connect({ host: address, port: options.port ?? 22 });
  const client = new library.Client();
  try {
    return await new Promise<Handshake>((resolve) => {
      watchSocket(socket, options, resolve);
      socket.once('connect', () => runHandshake(client, socket, types, resolve));
    });
  } finally {
    // Late words of the library or the kernel about a connection that is over are no failure.
    client.on('error', ignore);
    socket.on('error', ignore);
    setImmediate(() => socket.destroy());
  }
}

function ignore(): void {
  // Said already, by the meeting that this belongs to.
}

/** Bounds in time and bytes, and what the kernel says of the way there. */
function watchSocket(
  socket: Socket,
  { signal, connectMs = 3000, firstByteMs = 6000, handshakeMs = 12_000 }: MeetOptions,
  end: (how: Handshake) => void,
): void {
  let isOpen = false;
  let bytes = 0;
  let timer = setTimeout(() => end({ kind: 'silent' }), connectMs);
  const within = (ms: number, how: Meeting) => {
    clearTimeout(timer);
    timer = setTimeout(() => end(how), ms);
  };
  const stop = () => end({ kind: 'silent' });
  signal.addEventListener('abort', stop, { once: true });
  socket.once('connect', () => {
    isOpen = true;
    within(firstByteMs, { kind: 'mute' });
  });
  socket.on('data', (chunk) => {
    if (bytes === 0) within(handshakeMs, { kind: 'broken', why: 'it stopped in the middle' });
    bytes += chunk.length;
    if (bytes > mostBytes) end({ kind: 'broken', why: 'it sends more than any SSH server does' });
  });
  socket.on('error', (error: NodeJS.ErrnoException) => end(meetingOf(error.code ?? error.message, isOpen)));
  socket.once('close', () => {
    clearTimeout(timer);
    signal.removeEventListener('abort', stop);
    end({ kind: 'broken', why: bytes === 0 ? 'it hangs up at once' : 'it hangs up in the middle' });
  });
}

function meetingOf(code: string, isOpen: boolean): Meeting {
  if (code === 'ECONNRESET' || code === 'EPIPE') return { kind: 'broken', why: 'it cuts the connection off' };
  if (isOpen) return { kind: 'broken', why: code };
  if (code === 'ECONNREFUSED') return { kind: 'refused' };
  return code === 'ETIMEDOUT' ? { kind: 'silent' } : { kind: 'unreachable', why: code };
}

function runHandshake(
  client: Client,
  socket: Socket,
  types: readonly string[],
  end: (how: Handshake) => void,
): void {
  const keys: MetKey[] = [];
  client.on('error', (error) => {
    const why = error.message;
    end(/no matching host key/i.test(why) ? { kind: 'no-such-type' } : { kind: 'broken', why });
  });
  // The library has seen by now that the signature is that of the key shown.
  client.on('handshake', () => {
    end({ kind: 'keys', keys });
    client.end();
  });
  client.connect({
    sock: socket,
    // Asked for by the library and never sent: the connection ends before anybody logs in.
    username: 'nobody',
    readyTimeout: 0,
    hostVerifier: (blob: Buffer) => {
      keys.push(keyOf(blob));
      return true;
    },
    algorithms: { serverHostKey: types.flatMap((type) => algorithms[type] ?? []) },
  });
}

/** A public-key blob begins with the name of its type (RFC 4253 section 6.6). */
function keyOf(blob: Buffer): MetKey {
  const type = takeString(blob, 0)?.content.toString('latin1') ?? '';
  return { type, fingerprint: fingerprintOf(blob) };
}
