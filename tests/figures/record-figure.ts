import { appendFileSync, mkdirSync } from 'node:fs';
import path from 'node:path';

/** The numbers that the suites hand in; what each says and does not say stands in `figure-table.ts`. */
export type FigureName =
  | 'topologies'
  | 'disks judged'
  | 'wrong disks let through'
  | 'cards refused for nothing'
  | 'faults injected'
  | 'faults caught'
  | 'good cards called damaged'
  | 'kill points'
  | 'kill points with a false end'
  | 'boots proven'
  | 'published values compared'
  | 'hostile inputs'
  | 'writes outside the boot volume'
  | 'mutants made'
  | 'mutants killed';

export interface RecordedFigure {
  name: FigureName;
  value: number;
  /** which part of the number this is, in a few words: the same name and note again replaces the number */
  note: string;
}

export const resultsFile = 'figures.jsonl';

/**
 * Hands one number of a suite in: a line of JSON in the folder that CARDWRIGHT_FIGURES names, nothing where it is
 * not set. Call it where the number is known to be true: behind the expectations that it stands for. Numbers under one
 * name are added up, one for each note.
 */
export function recordFigure(name: FigureName, value: number, note: string): void {
  const folder = process.env.CARDWRIGHT_FIGURES;
  if (!folder) return;
  mkdirSync(folder, { recursive: true });
  const figure: RecordedFigure = { name, value, note };
  appendFileSync(path.join(folder, resultsFile), `${JSON.stringify(figure)}\n`);
}
