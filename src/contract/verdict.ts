import type { Finding } from './finding.ts';

/** What the guard says of one disk. Derived from the findings alone, never kept beside them. */
export type DiskVerdict = 'allowed' | 'needs approval' | 'refused';

export interface GuardResult {
  verdict: DiskVerdict;
  findings: Finding[];
}

export function diskVerdict(findings: readonly Finding[]): DiskVerdict {
  if (findings.some((f) => f.severity === 'refuse' || f.severity === 'fail')) return 'refused';
  return findings.some((f) => f.severity === 'ask') ? 'needs approval' : 'allowed';
}
