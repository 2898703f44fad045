import { execa } from 'execa';

const mostLines = 200;

/**
 * The kernel's log lines that name a disk or one of its partitions, from `sinceSeconds` after boot on. Empty where
 * the log cannot be read: the lines are evidence for the record, nothing is decided by them.
 */
export async function kernelLines(diskName: string, sinceSeconds: number): Promise<string[]> {
  const { stdout, failed } = await execa('dmesg', ['--noescape', '--nopager'], {
    reject: false,
    stdin: 'ignore',
  });
  return failed ? [] : selectLines(stdout, diskName, sinceSeconds);
}

export function selectLines(log: string, diskName: string, sinceSeconds: number): string[] {
  const named = new RegExp(`\\b${diskName.replace(/[^\w-]/g, '')}(p?\\d+)?\\b`);
  return log
    .split('\n')
    .filter((line) => {
      const stamp = /^\[\s*(\d+\.\d+)\]/.exec(line);
      return stamp !== null && Number(stamp[1]) >= sinceSeconds && named.test(line);
    })
    .slice(-mostLines);
}
