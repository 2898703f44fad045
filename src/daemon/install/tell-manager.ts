import * as fs from 'node:fs';
import { execa } from 'execa';
import { CardwrightError } from '../../contract/cardwright-error.ts';

/** Runs a program of the system. @throws CardwrightError `daemon.program-failed` */
export async function runProgram(program: string, args: readonly string[]): Promise<void> {
  const result = await execa(program, [...args], { reject: false, stdin: 'ignore', timeout: 120_000 });
  if (!result.failed) return;
  const why = result.stderr?.trim() || result.shortMessage || 'no reason given';
  throw new CardwrightError('daemon.program-failed', {
    facts: { program: [program, ...args].join(' '), why },
  });
}

/** sd_booted(3): is systemd the manager of this machine? */
export const isManaged = () => fs.existsSync('/run/systemd/system');
