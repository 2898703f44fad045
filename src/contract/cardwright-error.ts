import type { CardState } from './card-state.ts';
import { type Code, catalogueEntry } from './catalogue/index.ts';
import { type ExitStatus, exitStatus } from './exit-status.ts';
import { adviseOn, describeFinding, type Facts, type Finding } from './finding.ts';

interface ErrorDetails {
  facts?: Facts;
  /** what state the card is in now, where a card is concerned */
  card?: CardState;
  /** findings that led here, or several mistakes reported at once */
  findings?: readonly Finding[];
  cause?: unknown;
}

/** The only error that this project throws on purpose: a catalogued code with its facts. */
export class CardwrightError extends Error {
  override readonly name = 'CardwrightError';
  readonly code: Code;
  readonly facts: Facts;
  readonly card: CardState | null;
  readonly findings: readonly Finding[];

  constructor(code: Code, details: ErrorDetails = {}) {
    const facts = details.facts ?? {};
    super(
      describeFinding({ code, facts }),
      details.cause === undefined ? undefined : { cause: details.cause },
    );
    this.code = code;
    this.facts = facts;
    this.card = details.card ?? null;
    this.findings = details.findings ?? [];
  }

  get next(): string {
    return adviseOn(this);
  }

  get exitStatus(): ExitStatus {
    return exitStatus[catalogueEntry(this.code).exit];
  }
}
