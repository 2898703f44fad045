import * as fs from 'node:fs';
import type { ReadStream as TerminalStream } from 'node:tty';
import { CardwrightError } from '../contract/cardwright-error.ts';

/** Far more than any phrase has. */
const mostBytes = 4096;

const cancelled = () =>
  new CardwrightError('job.cancelled', { card: 'untouched', facts: { phase: 'approve' } });
const bad = (why: string) => new CardwrightError('usage.bad-phrase', { facts: { why } });

/** Takes a typed byte into the line; true at its end. Keys as a terminal's line discipline has them (termios(3)). */
function takeKey(line: number[], key: number): boolean {
  if (key === 0x0d || key === 0x0a || key === 0x04) return true;
  if (key === 0x03) throw cancelled();
  if (key === 0x7f || key === 0x08) {
    // One character may be several bytes of UTF-8.
    while (((line.pop() ?? 0) & 0xc0) === 0x80);
  } else if (key === 0x15) line.length = 0;
  else if (line.length >= mostBytes) throw bad('it is too long');
  else line.push(key);
  return false;
}

function seal(line: number[]): Uint8Array {
  const phrase = Uint8Array.from(line);
  line.fill(0);
  return phrase;
}

/**
 * Asks for phrases without showing what is typed, one for each prompt. The bytes are the caller's to overwrite.
 *
 * @throws CardwrightError `job.cancelled` on Ctrl-C, `usage.bad-phrase`
 */
export async function askPhrases(
  prompts: readonly string[],
  terminal: TerminalStream,
  screen: { write(text: string): unknown },
): Promise<Uint8Array[]> {
  const phrases: Uint8Array[] = [];
  const line: number[] = [];
  // Before the prompt: whoever sees it may begin to type, and until now the terminal shows the keys itself.
  terminal.setRawMode(true);
  try {
    screen.write(prompts[0] ?? '');
    for await (const keys of terminal.iterator({ destroyOnReturn: false }) as AsyncIterable<Buffer>) {
      for (const key of keys) {
        if (!takeKey(line, key)) continue;
        phrases.push(seal(line));
        line.length = 0;
        screen.write(`\r\n${prompts[phrases.length] ?? ''}`);
        if (phrases.length === prompts.length) break;
      }
      keys.fill(0);
      if (phrases.length === prompts.length) return phrases;
    }
    // The terminal went away in the middle.
    throw cancelled();
  } finally {
    line.fill(0);
    terminal.setRawMode(false);
    terminal.pause();
  }
}

/**
 * Reads a phrase from a descriptor: one line, with or without its end. The bytes are the caller's to overwrite.
 *
 * @throws CardwrightError `usage.bad-phrase` where there is more than one line, `usage.file-unreadable`
 */
export async function readPhrase(descriptor: number, signal: AbortSignal): Promise<Uint8Array> {
  const line: number[] = [];
  try {
    for await (const part of fs.createReadStream('', { fd: descriptor, autoClose: false, signal })) {
      line.push(...(part as Buffer));
      (part as Buffer).fill(0);
      if (line.length > mostBytes) throw bad('it is too long');
    }
  } catch (cause) {
    line.fill(0);
    if (signal.aborted) throw cancelled();
    if (cause instanceof CardwrightError) throw cause;
    const facts = {
      path: `descriptor ${descriptor}`,
      errno: (cause as NodeJS.ErrnoException).code ?? 'unreadable',
    };
    throw new CardwrightError('usage.file-unreadable', { facts, cause });
  }
  if (line.at(-1) === 0x0a) line.pop();
  if (line.at(-1) === 0x0d) line.pop();
  if (line.includes(0x0a)) {
    line.fill(0);
    throw bad('it has more than one line');
  }
  return seal(line);
}
