import { adviseOn, describeFinding, type Finding, type Severity } from '../../contract/finding.ts';
import type { Tone } from '../text/ink.ts';
import { type EntryOptions, entries, type Sheet } from '../text/sheet.ts';

const labels: Record<Severity, { label: string; tone: Tone }> = {
  refuse: { label: 'because', tone: 'bad' },
  fail: { label: 'wrong', tone: 'bad' },
  ask: { label: 'asks', tone: 'care' },
  note: { label: 'note', tone: 'faint' },
};

const order: readonly Severity[] = ['refuse', 'fail', 'ask', 'note'];

/** Findings grouped by how they bear on the verdict, the gravest first; a sentence each, with its evidence. */
export function findingLines(
  sheet: Sheet,
  findings: readonly Finding[],
  options: EntryOptions = {},
): string[] {
  return order.flatMap((severity) => {
    const texts = findings.filter((f) => f.severity === severity).map(describeFinding);
    const { label, tone } = labels[severity];
    return entries(sheet, label, [...new Set(texts)], { ...options, tone });
  });
}

/** What to do about the findings of these severities, each piece of advice once. */
export function adviceOn(findings: readonly Finding[], severities: readonly Severity[]): string[] {
  return [...new Set(findings.filter((f) => severities.includes(f.severity)).map(adviseOn))];
}
