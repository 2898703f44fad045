import { CardwrightError } from '../contract/cardwright-error.ts';
import { type ExitStatus, exitStatus } from '../contract/exit-status.ts';
import { type Desk, type DeskOptions, openDesk } from './desk.ts';
import { createOutput, type Output, type Streams } from './output.ts';
import { errorScreen } from './screens/error-screen.ts';
import { errorFields, jsonLine } from './text/json-lines.ts';

/** Options that every command has. */
export interface CommonOptions extends DeskOptions {
  json?: boolean;
  quiet?: boolean;
}

/** What a command does; it gives the exit status or throws a CardwrightError that carries one. */
export type CommandBody = (desk: Desk) => Promise<ExitStatus>;

/**
 * Runs one command from its options to its exit status. The first Ctrl-C (or SIGTERM) cancels in order; a second one
 * ends the process as the system does by default.
 */
export async function runCommand(
  streams: Streams,
  options: CommonOptions,
  body: CommandBody,
): Promise<ExitStatus> {
  const output = createOutput(streams, { json: options.json === true, quiet: options.quiet === true });
  const stopping = new AbortController();
  const stop = () => stopping.abort();
  process.once('SIGINT', stop);
  process.once('SIGTERM', stop);
  const desk = openDesk(output, options, stopping.signal);
  try {
    const status = await body(desk);
    desk.log().info({ status }, 'ended');
    return status;
  } catch (error) {
    const status = reportError(streams, output, error);
    desk.log().error({ status, error }, 'ended');
    return status;
  } finally {
    output.settle();
    desk.close();
    process.off('SIGINT', stop);
    process.off('SIGTERM', stop);
  }
}

/** Errors go to standard error; with `--json` they are one more line of the stream that a program reads. */
export function reportError(streams: Streams, output: Output, error: unknown): ExitStatus {
  output.settle();
  const known = error instanceof CardwrightError ? error : unexpected(error);
  if (output.options.json) streams.stdout.write(`${jsonLine('error', errorFields(known))}\n`);
  else streams.stderr.write(`${errorScreen(known, output.sheet).join('\n')}\n`);
  return known.exitStatus;
}

function unexpected(error: unknown): CardwrightError {
  const reason = error instanceof Error ? error.message : String(error);
  return new CardwrightError('usage.unexpected', { facts: { reason }, cause: error });
}

/** @throws CardwrightError `usage.needs-root` */
export function expectRoot(): void {
  const user = process.geteuid?.() ?? -1;
  if (user !== 0)
    throw new CardwrightError('usage.needs-root', { card: 'untouched', facts: { user: String(user) } });
}

export const done = exitStatus.done;
