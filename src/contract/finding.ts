import { type Code, catalogueEntry } from './catalogue/index.ts';
import { escapeText } from './escape-text.ts';

export type Fact = string | number | boolean | null;
export type Facts = Readonly<Record<string, Fact>>;

/**
 * How a finding bears on the verdict. `refuse`: nothing may be written; `ask`: a person must agree first;
 * `fail`: the job cannot end "done"; `note`: said, and nothing follows from it.
 */
export type Severity = 'refuse' | 'ask' | 'fail' | 'note';

/** One coded result of a rule or a check, with the facts it was derived from. Plain data: it is stored and sent. */
export interface Finding {
  readonly code: Code;
  readonly severity: Severity;
  readonly facts: Facts;
}

export function finding(code: Code, severity: Severity, facts: Facts = {}): Finding {
  return { code, severity, facts };
}

function fill(template: string, facts: Facts): string {
  return template.replace(/\{(\w+)\}/g, (whole, name: string) => {
    const value = facts[name];
    if (value === undefined) return whole;
    return typeof value === 'number' ? value.toLocaleString('en-US') : escapeText(String(value));
  });
}

/** What was expected and found, as a sentence. */
export function describeFinding(f: Pick<Finding, 'code' | 'facts'>): string {
  return fill(catalogueEntry(f.code).what, f.facts);
}

/** What to do about it, as a sentence. */
export function adviseOn(f: Pick<Finding, 'code' | 'facts'>): string {
  return fill(catalogueEntry(f.code).next, f.facts);
}

export function hasSeverity(findings: readonly Finding[], severity: Severity): boolean {
  return findings.some((f) => f.severity === severity);
}
