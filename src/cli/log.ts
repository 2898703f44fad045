import { mkdirSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { type Logger, pino } from 'pino';
import { redactedKeys } from '../contract/redacted-keys.ts';

/** Where in a line a secret could stand: on the top and one or two levels down. */
const redactPaths = [...redactedKeys].flatMap((key) => [key, `*.${key}`, `*.*.${key}`]);

/**
 * The log of what was asked and how it ended, one JSON object a line beside the record store, for whoever looks into a
 * fault later: it has the stacks that the screens leave out. Rotation is left to the system.
 *
 * @param recordsPath the record store; null where nothing is kept, and nothing is logged then
 */
export function openLog(recordsPath: string | null): Logger {
  if (recordsPath === null) return pino({ enabled: false });
  const folder = dirname(recordsPath);
  mkdirSync(folder, { recursive: true, mode: 0o700 });
  const destination = pino.destination({ dest: join(folder, 'cardwright.log'), sync: true, mode: 0o600 });
  // A full disk must not turn a finished card into a failed command.
  destination.on('error', () => undefined);
  return pino(
    {
      base: { pid: process.pid },
      timestamp: pino.stdTimeFunctions.isoTime,
      redact: { paths: redactPaths, censor: '(not shown)' },
      serializers: { error: pino.stdSerializers.errWithCause },
    },
    destination,
  );
}
