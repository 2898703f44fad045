/** One file's numbers as stat(2) gives them. `rdev` is set for device nodes; both are `major:minor`. */
export interface FileNumbers {
  kind: 'file' | 'directory' | 'symlink' | 'block' | 'character' | 'other';
  dev: string;
  rdev: string | null;
  uid: number;
  gid: number;
  /** permission bits, e.g. 0o644 */
  mode: number;
  sizeBytes: number;
}

/** Why something could not be read: `EACCES`, `ENOENT`, `EIO`, … or `exit N` / `missing` for a program. */
export type ReadFailure = string;

export type Answer<T> = { ok: true; value: T } | { ok: false; why: ReadFailure };

/**
 * Everything that enumeration asks of the machine goes through this port, so that a captured machine replays
 * through the same code. No method throws: a fact that cannot be had is an answer that says why.
 */
export interface SystemReader {
  readText(path: string): Promise<Answer<string>>;
  /** names in a folder, sorted */
  list(path: string): Promise<Answer<string[]>>;
  /** target of a symbolic link, as stored */
  readLink(path: string): Promise<Answer<string>>;
  /** canonical absolute path */
  realPath(path: string): Promise<Answer<string>>;
  /** follows symbolic links */
  stat(path: string): Promise<Answer<FileNumbers>>;
  /** runs a program (never a shell) and gives its standard output and exit status */
  run(program: string, args: readonly string[]): Promise<Answer<{ status: number; stdout: string }>>;
  /** reads bytes of a block device or file, short only at its end */
  readBytes(path: string, offset: number, length: number): Promise<Answer<Uint8Array>>;
  /** drivelist's annotations, one plain object a drive; an answer that says why when its native part is missing */
  drivelist(): Promise<Answer<unknown[]>>;
}
