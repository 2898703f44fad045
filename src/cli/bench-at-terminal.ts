import type { BenchEvent, BenchPort } from '../batch/bench/bench-events.ts';
import { CardwrightError } from '../contract/cardwright-error.ts';
import { askLine } from './ask-at-terminal.ts';
import type { Output } from './output.ts';
import { benchFields, benchLines, createBenchStatus, rings } from './screens/bench-lines.ts';
import { approvalQuestion, cardScreen } from './screens/card-screen.ts';

export interface BenchOptions {
  /** reader → code, as a script gave it */
  confirms: ReadonlyMap<string, string>;
  bell: boolean;
  signal: AbortSignal;
  /** for the log beside the records */
  onEvent(event: BenchEvent): void;
}

/**
 * The person at the bench: words and questions at the terminal, one question at a time while other cards go on; JSON
 * lines with `--json`; plain lines into a log. A script's code serves the first question about its reader.
 */
export function createBench(output: Output, options: BenchOptions): BenchPort {
  const { signal, bell } = options;
  const confirms = new Map(options.confirms);
  const status = createBenchStatus(output.sheet);
  const isTerminal = process.stdin.isTTY === true;
  let asking = false;
  let last: Promise<unknown> = Promise.resolve();
  const draw = () => {
    const line = status.line();
    if (!asking && line !== null && output.isLive) output.redraw(() => [line]);
  };

  async function askNow(prompt: () => string, gone: AbortSignal): Promise<string | null> {
    if (gone.aborted) return null;
    asking = true;
    output.settle();
    try {
      return await askLine(prompt(), AbortSignal.any([signal, gone]));
    } catch (error) {
      // A card that was taken out takes its question along.
      if (gone.aborted && !signal.aborted) return null;
      throw error;
    } finally {
      asking = false;
    }
  }

  return {
    canAsk: isTerminal,
    tell(event) {
      options.onEvent(event);
      status.take(event);
      const lines = benchLines(event, output.sheet, isTerminal);
      if (output.options.json) output.tell(event.type, benchFields(event), []);
      else if (lines.length > 0) output.say(lines);
      if (bell && rings(event) && process.stderr.isTTY === true) process.stderr.write('\u0007');
      draw();
    },
    async ask(question, reader, gone) {
      const given = confirms.get(reader);
      confirms.delete(reader);
      const turn = last.then(async () => {
        output.say(cardScreen(question, output.sheet));
        if (given !== undefined) return given;
        if (!isTerminal) return null;
        return askNow(() => approvalQuestion(question, output.sheet).join('\n'), gone);
      });
      // The next question waits for this one, however it ends.
      last = turn.catch(() => undefined);
      return turn;
    },
  };
}

/**
 * `PORT=CODE` as scripts give it. A code with a volume's name may hold further signs of equality.
 *
 * @throws CardwrightError `batch.bad-confirm`
 */
export function parseConfirms(texts: readonly string[]): Map<string, string> {
  return new Map(
    texts.map((text) => {
      const at = text.indexOf('=');
      if (at < 1 || at === text.length - 1) {
        throw new CardwrightError('batch.bad-confirm', { facts: { value: text } });
      }
      return [text.slice(0, at), text.slice(at + 1)];
    }),
  );
}
