import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach } from 'vitest';

/** A folder for each test of the file, gone after it. */
export function useWorkFolder(): () => string {
  const made: string[] = [];
  afterEach(() => {
    for (const path of made.splice(0)) rmSync(path, { recursive: true, force: true });
  });
  return () => {
    const path = mkdtempSync(join(tmpdir(), 'cardwright-records-'));
    made.push(path);
    return path;
  };
}
