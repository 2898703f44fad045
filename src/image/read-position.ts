import fs from 'node:fs';

/**
 * How far an inherited descriptor has been read: parent and child share one position (proc(5), fdinfo). 0 where the
 * system does not tell, or where positional reads leave it alone.
 */
export function readPosition(fd: number, read = (path: string) => fs.readFileSync(path, 'utf8')): number {
  try {
    return Number(/^pos:\s+(\d+)/m.exec(read(`/proc/self/fdinfo/${fd}`))?.[1] ?? 0);
  } catch (error) {
    // only shown; without /proc there is nothing to show
    if ((error as NodeJS.ErrnoException).code === 'ENOENT') return 0;
    throw error;
  }
}
