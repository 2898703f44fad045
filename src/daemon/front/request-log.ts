import { type DestinationStream, type Logger, pino } from 'pino';
import pretty from 'pino-pretty';
import { notShown, redactedKeys, secretForms } from '../../contract/redacted-keys.ts';

/** Where in a line a secret could stand: at the top and one or two levels down. */
const redactPaths = [
  ...redactedKeys,
  'authorization',
  'privatePem',
  'passwordHash',
  'typed',
  'confirm',
].flatMap((key) => [key, `*.${key}`, `*.*.${key}`]);

const hideForms = (text: string): string => (secretForms.some((form) => form.test(text)) ? notShown : text);

/**
 * The log of requests: who, what, verdict, one JSON object a line; plain lines on a terminal. Bodies are never logged;
 * what must not be shown is taken out by key and by form all the same. Rotation is left to the system.
 */
export function openRequestLog(to: DestinationStream, isTerminal: boolean): Logger {
  const plain = isTerminal
    ? pretty({
        destination: to as never,
        ignore: 'pid,hostname,part',
        translateTime: 'SYS:HH:MM:ss',
        sync: true,
      })
    : to;
  return pino(
    {
      base: { part: 'front' },
      timestamp: pino.stdTimeFunctions.isoTime,
      redact: { paths: [...new Set(redactPaths)], censor: notShown },
      serializers: { error: pino.stdSerializers.errWithCause },
      formatters: {
        log: (line) =>
          Object.fromEntries(
            Object.entries(line).map(([key, value]) => [
              key,
              typeof value === 'string' ? hideForms(value) : value,
            ]),
          ),
      },
    },
    plain,
  );
}
