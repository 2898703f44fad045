import { CommanderError } from 'commander';
import { exitStatus } from '../contract/exit-status.ts';
import { createOutput, type Streams } from './output.ts';
import { createProgram, usageError } from './program.ts';
import { reportError, runCommand } from './run-command.ts';

/**
 * The command line: takes arguments (without the program's name), gives the exit status. Nothing here ends the
 * process.
 */
export async function main(argv: readonly string[], streams: Streams): Promise<number> {
  let status: number = exitStatus.done;
  const program = createProgram(async (options, body) => {
    status = await runCommand(streams, options, body);
  });
  try {
    if (argv.length === 0) program.outputHelp();
    else await program.parseAsync(argv, { from: 'user' });
    return status;
  } catch (error) {
    const output = createOutput(streams, { json: argv.includes('--json'), quiet: false });
    const known = error instanceof CommanderError ? usageError(error, argv) : error;
    return known === null ? exitStatus.done : reportError(streams, output, known);
  }
}
