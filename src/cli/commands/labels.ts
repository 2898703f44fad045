import { type LabelFacts, labelFacts } from '../../batch/labels/label-facts.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import type { Desk } from '../desk.ts';
import { pageMark } from '../pages/document.ts';
import { labelsPage } from '../pages/labels-page.ts';
import { gridOn, labelSizes, papers } from '../pages/paper.ts';
import { readPlanFile } from '../plan-options.ts';
import { recordsAnywhere } from '../record-reader.ts';
import { done } from '../run-command.ts';
import { entries, entry } from '../text/sheet.ts';
import { writePage } from '../write-page.ts';

export interface LabelsOptions {
  out?: string;
  paper: string;
  size: string;
}

/** Sheets of labels for the nodes of a plan, with what the records know of their cards. */
export async function labelsCommand(
  desk: Desk,
  planPath: string,
  options: LabelsOptions,
): Promise<ExitStatus> {
  const paper = oneOf('--paper', options.paper, papers);
  const size = oneOf('--size', options.size, labelSizes);
  const plan = await readPlanFile(planPath);
  const labels = labelFacts(
    plan,
    (await recordsAnywhere(desk))?.list.filter(({ set }) => set === plan.set) ?? [],
  );
  const page = labelsPage(labels, { set: plan.set, paper, size, nowMs: Date.now() });
  const path = writePage(options.out ?? `${plan.set}-labels.html`, page, (head) => head.includes(pageMark));
  const { columns, rows } = gridOn(papers[paper], labelSizes[size]);
  const sheets = Math.ceil(labels.length / (columns * rows));
  desk.output.show('labels', { path, paper, size, sheets, labels }, (sheet) => [
    ...entry(
      sheet,
      'labels',
      [count(labels.length, 'label'), `${count(sheets, 'sheet')} of ${paper === 'A4' ? 'A4' : 'Letter'}`],
      { tone: 'good' },
    ),
    ...entry(sheet, 'page', path),
    ...entries(sheet, 'note', [...notMadeYet(labels), ...labels.flatMap(({ remarks }) => remarks)], {
      tone: 'care',
    }),
    ...entry(
      sheet,
      'next',
      'Open it in a browser and print it at 100 %, without fitting it to the page; the line at its foot is then 50 mm long.',
      { tone: 'strong' },
    ),
  ]);
  return done;
}

function notMadeYet(labels: readonly LabelFacts[]): string[] {
  const names = labels.filter(({ made }) => made === null).map(({ node }) => node);
  if (names.length === 0) return [];
  const whose = names.length === 1 ? 'its label has' : 'their labels have';
  return [
    `No finished card is recorded here of ${listOf(names)}: ${whose} neither record nor host key. Print again when they are made.`,
  ];
}

const listOf = (names: readonly string[]) =>
  names.length < 2 ? names.join('') : `${names.slice(0, -1).join(', ')} and ${names.at(-1)}`;

const count = (number: number, noun: string) => `${number} ${noun}${number === 1 ? '' : 's'}`;

function oneOf<Name extends string>(option: string, value: string, known: Record<Name, unknown>): Name {
  const names = Object.keys(known) as Name[];
  const found = names.find((name) => name.toLowerCase() === value.toLowerCase());
  if (found !== undefined) return found;
  throw new CardwrightError('usage.bad-value', { facts: { option, value, expected: names.join(' or ') } });
}
