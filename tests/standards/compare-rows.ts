import { afterAll, describe, expect, it } from 'vitest';
import { recordFigure } from '../figures/record-figure.ts';
import { describeWith, type Requirement } from '../lab/capabilities.ts';

/** One published value: what the tool says, what the source says, and what a reference program says here and now. */
export interface Row<T = unknown> {
  value: string;
  /** standard and section; or where else it is from */
  source: string;
  ours(): T | Promise<T>;
  expected: T;
  /** programs of Debian packages that answer the same question */
  reference?: Reference<T>;
}

interface Reference<T> {
  programs: readonly string[];
  says(): T | Promise<T>;
}

async function compare(row: Row): Promise<void> {
  expect(await row.ours()).toEqual(row.expected);
  if (row.reference) expect(await row.reference.says()).toEqual(row.expected);
}

/** A test for each row; rows whose reference program is missing are skipped with that reason. */
export function compareRows<T>(subject: string, rows: readonly Row<T>[]): void {
  let compared = 0;
  afterAll(() => recordFigure('published values compared', compared, subject));
  const test = (row: Row) =>
    it(`${row.value} [${row.source}]`, { timeout: 60_000 }, async () => {
      await compare(row);
      compared += 1;
    });
  const alone = rows.filter((row) => !row.reference);
  if (alone.length > 0) describe(subject, () => alone.forEach(test));
  const sets = new Set(rows.flatMap((row) => (row.reference ? [row.reference.programs.join(', ')] : [])));
  for (const programs of sets) {
    const required = programs.split(', ').map((name): Requirement => `program:${name}`);
    const beside = rows.filter((row) => row.reference?.programs.join(', ') === programs);
    describeWith(required, `${subject}, beside ${programs}`, () => beside.forEach(test));
  }
}
