import * as z from 'zod';
import type { CardState } from '../../contract/card-state.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type Code, catalogue } from '../../contract/catalogue/index.ts';
import type { Facts, Finding } from '../../contract/finding.ts';

/** An error as it travels: the code and its facts alone, since the words come from the catalogue wherever it arrives. */
export interface ErrorForm {
  code: string;
  facts: Facts;
  card: CardState | null;
  findings: readonly Finding[];
}

const fact = z.union([z.string(), z.number(), z.boolean(), z.null()]);
export const findingForm = z.object({
  code: z.string(),
  severity: z.enum(['refuse', 'ask', 'fail', 'note']),
  facts: z.record(z.string(), fact),
});

/** What an error looks like on either wire. */
export const errorSchema = z.object({
  code: z.string().meta({ description: 'a code of the catalogue (ERRORS.md)' }),
  facts: z.record(z.string(), fact),
  card: z.string().nullable().meta({ description: 'what state the card is in now, where one is concerned' }),
  findings: z.array(findingForm),
});

export function errorForm(error: unknown): ErrorForm {
  const known = error instanceof CardwrightError ? error : unexpected(error);
  const { code, facts, card, findings } = known;
  return { code, facts, card, findings };
}

function unexpected(error: unknown): CardwrightError {
  const reason = error instanceof Error ? error.message : String(error);
  return new CardwrightError('usage.unexpected', { facts: { reason }, cause: error });
}

/** The same error on the other side; a code that this version does not know is said as such. */
export function errorOf(form: unknown): CardwrightError {
  const read = errorSchema.safeParse(form);
  if (!read.success)
    return new CardwrightError('daemon.not-understood', { facts: { why: 'no error of ours' } });
  const { code, facts, card, findings } = read.data;
  if (!(code in catalogue)) {
    return new CardwrightError('daemon.not-understood', { facts: { why: `an unknown code, ${code}` } });
  }
  return new CardwrightError(code as Code, {
    facts,
    ...(card === null ? {} : { card: card as CardState }),
    findings: findings as Finding[],
  });
}
