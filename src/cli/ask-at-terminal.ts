import { createInterface } from 'node:readline/promises';
import { CardwrightError } from '../contract/cardwright-error.ts';
import type { ApprovalQuestion, Approver } from '../job/station/approval-port.ts';
import type { Output } from './output.ts';
import { approvalQuestion, cardScreen } from './screens/card-screen.ts';

/**
 * Shows the card and takes the answer: from `--confirm` where it was given, else from the person at the terminal.
 * Without either there is no approval: a script never hangs at a prompt.
 */
export function createApprover(output: Output, confirm: string | null, signal: AbortSignal): Approver {
  return {
    async ask(question) {
      output.say(cardScreen(question, output.sheet));
      if (confirm !== null) return confirm;
      if (process.stdin.isTTY !== true) {
        const facts = { question: 'which disk may be written', option: '--confirm CODE' };
        throw new CardwrightError('usage.no-terminal', { card: 'untouched', facts });
      }
      return askLine(promptOf(question, output), signal);
    },
  };
}

function promptOf(question: ApprovalQuestion, output: Output): string {
  return approvalQuestion(question, output.sheet).join('\n');
}

/** One line from the terminal, null where the input ends without one; an abort gives up the question. */
export async function askLine(prompt: string, signal: AbortSignal): Promise<string | null> {
  const terminal = createInterface({ input: process.stdin, output: process.stderr });
  // While a line is typed, the terminal hands Ctrl-C over as a key: it is to mean what it means at any other time.
  terminal.once('SIGINT', () => process.kill(process.pid, 'SIGINT'));
  const ended = new Promise<null>((resolve) => terminal.once('close', () => resolve(null)));
  try {
    const line = await Promise.race([terminal.question(prompt, { signal }), ended]);
    if (line === null) process.stderr.write('\n');
    return line;
  } catch (error) {
    if (signal.aborted)
      throw new CardwrightError('job.cancelled', { card: 'untouched', facts: { phase: 'approve' } });
    throw error;
  } finally {
    terminal.close();
  }
}
