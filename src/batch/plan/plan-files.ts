import * as nodeFiles from 'node:fs/promises';

/** What reading a plan asks of the file system; node:fs/promises and its twins in memory have this shape. */
export interface PlanFiles {
  readFile(path: string): Promise<Uint8Array>;
  /** follows links */
  stat(path: string): Promise<{ isFile(): boolean; size: number; mode: number }>;
}

export const stationFiles: PlanFiles = {
  readFile: (path) => nodeFiles.readFile(path),
  stat: (path) => nodeFiles.stat(path),
};

/** The kernel's name for what went wrong, for a message: "ENOENT". */
export function errnoOf(error: unknown): string {
  const code = (error as NodeJS.ErrnoException | null)?.code;
  return typeof code === 'string' ? code : 'unreadable';
}
