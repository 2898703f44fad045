import type { RootFacts } from '../contract/root-facts.ts';

/** "cloud-init 22.4.2-1+deb12u3" */
export function nameProgram(program: RootFacts['program']): string {
  return program?.version ? `cloud-init ${program.version}` : 'cloud-init';
}

/** The first numbers of its version; null where that is not known. */
export function isAtLeast(program: RootFacts['program'], major: number, minor: number): boolean | null {
  const [, first, second] = /^(\d+)\.(\d+)/.exec(program?.version ?? '') ?? [];
  if (first === undefined || second === undefined) return null;
  return Number(first) > major || (Number(first) === major && Number(second) >= minor);
}
