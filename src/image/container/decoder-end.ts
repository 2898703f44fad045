import { CardwrightError } from '../../contract/cardwright-error.ts';
import { escapeText } from '../../contract/escape-text.ts';
import type { ContainerKind } from '../../contract/image.ts';
import { damaged, dictionaryLimitBytes, trailingGarbage, truncated } from './container-facts.ts';
import type { DecoderCommand } from './decoder-command.ts';

/** How a decoder process ended. */
export interface DecoderExit {
  status: number | null;
  signal: NodeJS.Signals | null;
  /** what it said on standard error, in the C locale */
  stderr: string;
}

/** What the decoders say (gzip 1.12, xz 5.4, zstd 1.5, bzip2 1.0.8, each tried), most telling first. */
const sayings: readonly [RegExp, (container: ContainerKind, said: string) => CardwrightError][] = [
  [/trailing garbage/i, (container) => trailingGarbage(container, 'bytes that do not belong to it')],
  [/unsupported format/i, (container) => trailingGarbage(container, 'bytes that do not belong to it')],
  [
    /memory usage limit|too much memory|Window size larger/i,
    (container) =>
      new CardwrightError('image.dictionary-too-large', {
        facts: { container, neededBytes: 'more than allowed', limitBytes: dictionaryLimitBytes },
      }),
  ],
  [
    /unexpected end|ends unexpectedly|premature end/i,
    (container) => truncated(container, 'its data ends too early'),
  ],
  [
    /crc error|length error|format violated|not in gzip format|not a bzip2 file|is corrupt|integrity error|doesn't match|Decoding error|Data corruption|bad magic|not recognized|unknown header|Corrupted/i,
    (container, said) => damaged(container, said),
  ],
];

function lastWords(stderr: string): string {
  const line = stderr.split('\n').find((text) => text.trim() !== '') ?? 'it said nothing';
  return escapeText(line.replace(/^\S*: \S*stdin\S*: /, '').trim(), 120);
}

function missing(program: string, debianPackage: string): CardwrightError {
  return new CardwrightError('image.decoder-missing', { facts: { program, package: debianPackage } });
}

/** The decoder itself could not be started: setpriv is not there, or the user may not be changed. */
export function startError(error: NodeJS.ErrnoException): CardwrightError {
  if (error.code === 'ENOENT') return missing('setpriv', 'util-linux');
  return new CardwrightError('image.decoder-failed', {
    facts: { program: 'setpriv', detail: error.message },
    cause: error,
  });
}

/**
 * Null where a decoder ended well: status 0 and not a word about trailing garbage (bzip2 mentions it and still ends
 * with 0). Everything else is an error with a code of its own.
 */
export function judgeDecoderEnd(
  container: ContainerKind,
  command: DecoderCommand,
  { status, signal, stderr }: DecoderExit,
): CardwrightError | null {
  // the reader closed its end, or we stopped it ourselves
  if (signal === 'SIGPIPE' || signal === 'SIGTERM') return new CardwrightError('image.decoding-stopped');
  if (status === 127 && /failed to execute/.test(stderr)) return missing(command.program, command.package);
  const said = sayings.find(([pattern]) => pattern.test(stderr));
  if (said) return said[1](container, lastWords(stderr));
  if (status === 0) return null;
  const detail = signal ? `ended by ${signal}` : `exit status ${status}, ${lastWords(stderr)}`;
  return new CardwrightError('image.decoder-failed', { facts: { program: command.program, detail } });
}
