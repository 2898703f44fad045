import type { RootFacts } from '../contract/root-facts.ts';

/** "cloud-init 22.4.2-1+deb12u3" */
export function nameProgram(program: RootFacts['program']): string {
  return program?.version ? `cloud-init ${program.version}` : 'cloud-init';
}

/** By the first two numbers of a version; null where it is not known. */
export function isVersionAtLeast(version: string | null, major: number, minor: number): boolean | null {
  const [, first, second] = /^(\d+)\.(\d+)/.exec(version ?? '') ?? [];
  if (first === undefined || second === undefined) return null;
  return Number(first) > major || (Number(first) === major && Number(second) >= minor);
}

export function isAtLeast(program: RootFacts['program'], major: number, minor: number): boolean | null {
  return isVersionAtLeast(program?.version ?? null, major, minor);
}
