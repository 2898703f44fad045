import { createInterface } from 'node:readline';
import { CardwrightError } from '../contract/cardwright-error.ts';

export interface Questions {
  ask(question: string): Promise<string>;
  close(): void;
}

/**
 * Questions at the terminal, one after the other; lines that are typed ahead answer those that come.
 *
 * @throws CardwrightError `plan.no-terminal` at once where there is none, `plan.left-unwritten` when the person leaves
 */
export function openQuestions(signal: AbortSignal): Questions {
  if (process.stdin.isTTY !== true) throw new CardwrightError('plan.no-terminal');
  const terminal = createInterface({ input: process.stdin, output: process.stderr });
  const typed: string[] = [];
  let wake: () => void = leaveAsleep;
  let hasLeft = false;
  // Ctrl-D ends the input, and Ctrl-C is the terminal's own while a line is read.
  const leave = () => {
    hasLeft = true;
    wake();
  };
  terminal.on('line', (line) => {
    typed.push(line);
    wake();
  });
  terminal.once('close', leave);
  terminal.once('SIGINT', leave);
  signal.addEventListener('abort', leave, { once: true });
  return {
    async ask(question) {
      terminal.setPrompt(question);
      if (!hasLeft) terminal.prompt();
      while (typed.length === 0 && !hasLeft) {
        await new Promise<void>((resolve) => {
          wake = resolve;
        });
      }
      const answer = typed.shift();
      if (answer === undefined) throw new CardwrightError('plan.left-unwritten');
      return answer;
    },
    close: () => terminal.close(),
  };
}

function leaveAsleep(): void {
  // Nobody waits for a line yet.
}
