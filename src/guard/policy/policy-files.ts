import { lstat, readFile } from 'node:fs/promises';

/** Numbers of a file or folder itself, as lstat(2) gives them; Node's own and memfs's answers fit. */
export interface PathNumbers {
  uid: number;
  mode: number;
  isFile(): boolean;
  isDirectory(): boolean;
  isSymbolicLink(): boolean;
}

/** What loading a policy asks of the file system. Both throw errors with a `code`, as Node does. */
export interface PolicyFiles {
  /** does not follow symbolic links */
  lstat(path: string): Promise<PathNumbers>;
  readFile(path: string): Promise<Uint8Array>;
}

export const systemPolicyFiles: PolicyFiles = {
  lstat: (path) => lstat(path),
  readFile: (path) => readFile(path),
};
