import type { EventPort, JobEvent } from '../contract/events.ts';
import { createLiveBlock } from './screens/live-block.ts';
import { createProgressView } from './screens/progress-view.ts';
import { chooseInk } from './text/ink.ts';
import { findingFields, jsonLine } from './text/json-lines.ts';
import type { Sheet } from './text/sheet.ts';

/** Where a command's words go. Data to standard output, everything else to standard error. */
export interface Streams {
  stdout: { write(text: string): unknown; isTTY?: boolean; columns?: number };
  stderr: { write(text: string): unknown; isTTY?: boolean; columns?: number; rows?: number };
  env: Readonly<Record<string, string | undefined>>;
}

export interface OutputOptions {
  json: boolean;
  quiet: boolean;
}

export interface Output {
  readonly sheet: Sheet;
  readonly options: OutputOptions;
  /** a screen and its JSON twin: one of the two is put out */
  show(type: string, fields: object, screen: (sheet: Sheet) => string[]): void;
  /** a text that is a file of its own, on standard output, whatever the options */
  showText(text: string): void;
  /** words for the person at the bench: on standard error, not with `--quiet` or `--json` */
  say(lines: readonly string[]): void;
  /** one event of a longer run: a JSON line, or words for the person at the bench */
  tell(type: string, fields: object, lines: readonly string[]): void;
  /** what a job tells while it runs */
  readonly events: EventPort;
  /** is there a terminal for lines that are drawn anew in place? */
  readonly isLive: boolean;
  /** draws lines in place of those that it drew before, on standard error; nothing unless `isLive` */
  redraw(screen: (sheet: Sheet) => string[]): void;
  /** wipes what is still being redrawn */
  settle(): void;
}

const widest = 80;

/** No line is longer than 80 columns, whatever the terminal: tables stay tables in a log, too. */
function sheetFor(stream: Streams['stdout'], env: Streams['env']): Sheet {
  const isTerminal = stream.isTTY === true;
  const width = isTerminal ? Math.max(40, Math.min(widest, stream.columns ?? widest)) : widest;
  return { width, ink: chooseInk(isTerminal, env) };
}

export function createOutput(streams: Streams, options: OutputOptions): Output {
  const { stdout, stderr, env } = streams;
  const sheet = sheetFor(stdout, env);
  const view = createProgressView({ ...sheetFor(stderr, env), isTerminal: stderr.isTTY === true });
  const lines = (stream: Streams['stdout'], texts: readonly string[]) => {
    if (texts.length > 0) stream.write(texts.map((text) => `${text}\n`).join(''));
  };
  const block = createLiveBlock({ rows: stderr.rows ?? 24, columns: stderr.columns ?? widest });
  const settle = () => void stderr.write(view.close() + block.wipe());
  const isLive = stderr.isTTY === true && !options.json && !options.quiet;

  function emit(event: JobEvent): void {
    if (options.json) lines(stdout, [jsonLine(event.type, jsonFields(event))]);
    else if (!options.quiet) stderr.write(block.wipe() + view.render(event));
  }

  return {
    sheet,
    options,
    events: { emit },
    settle,
    isLive,
    redraw(screen) {
      if (isLive) stderr.write(view.close() + block.draw(screen(sheetFor(stderr, env))));
    },
    show(type, fields, screen) {
      settle();
      lines(stdout, options.json ? [jsonLine(type, fields)] : screen(sheet));
    },
    tell(type, fields, texts) {
      settle();
      if (options.json) lines(stdout, [jsonLine(type, fields)]);
      else if (!options.quiet) lines(stderr, texts);
    },
    showText(text) {
      settle();
      stdout.write(text);
    },
    say(texts) {
      settle();
      if (!options.json && !options.quiet) lines(stderr, texts);
    },
  };
}

function jsonFields(event: JobEvent): object {
  return event.type === 'finding' ? { finding: findingFields(event.finding) } : event;
}
