import { spawn } from 'node:child_process';

/**
 * Keeps the machine from sleeping until the returned function is called, where systemd can do that; elsewhere it does
 * nothing. The inhibitor lives on a pipe from us, so it ends with us even when we are killed.
 */
export function keepAwake(why: string): () => void {
  const child = spawn(
    'systemd-inhibit',
    ['--what=sleep:shutdown', '--who=cardwright', `--why=${why}`, '--mode=block', 'cat'],
    { stdio: ['pipe', 'ignore', 'ignore'] },
  );
  // Missing or refused: the job goes on without it, a machine may have no such service.
  child.on('error', () => undefined);
  child.stdin.on('error', () => undefined);
  child.unref();
  return () => child.stdin.end();
}
