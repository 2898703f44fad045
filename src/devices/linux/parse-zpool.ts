/** Paths of a pool's members in the output of `zpool status -LP POOL` (zpool-status(8): -P full paths, -L links resolved). */
export function parseZpoolMembers(text: string): string[] {
  return [...text.matchAll(/^\s+(\/dev\/\S+)\s+[A-Z]+\b/gm)].map(([, path]) => path ?? '');
}
