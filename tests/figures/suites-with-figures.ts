import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { dirname, join, resolve } from 'node:path';

const recorder = join(import.meta.dirname, 'record-figure.ts');

/** The project's own files that a source imports. */
function importsOf(file: string): string[] {
  const found = readFileSync(file, 'utf8').matchAll(/from '(\.[^']+)'/g);
  return [...found].map(([, path = '']) => resolve(dirname(file), path)).filter((path) => existsSync(path));
}

function reaches(file: string, seen: Set<string>): boolean {
  if (file === recorder) return true;
  if (seen.has(file)) return false;
  seen.add(file);
  return importsOf(file).some((other) => reaches(other, seen));
}

/** Test files below `folder` that hand numbers in, themselves or through what they import; no list to keep. */
export function suitesWithFigures(folder: string): string[] {
  const names = readdirSync(folder, { recursive: true, encoding: 'utf8' });
  return names
    .filter((name) => name.endsWith('.test.ts'))
    .map((name) => join(folder, name))
    .filter((file) => reaches(file, new Set()))
    .toSorted();
}
