import type { FigureName, RecordedFigure } from './record-figure.ts';

/** What each number says, and what nobody may take it for. */
const limits: Readonly<Record<FigureName, string>> = {
  topologies:
    'Machines that were captured or composed. A computer that none of them resembles may show its disks in a way that was never judged.',
  'disks judged':
    'Verdict and all reasons are held against a table; that the table is right was judged by people.',
  'wrong disks let through':
    'Of the disks above. It says nothing of a person who approves the wrong card, nor of a disk that lies about what it is.',
  'cards refused for nothing':
    'Of the disks above. Other readers may hide what the guard has to know, and are refused then.',
  'faults injected':
    'Faults of the kinds that the lab can make, at places that were chosen. Cards fail in other ways, too.',
  'faults caught': 'That the job was not called done. Why the card failed may still be told wrongly.',
  'good cards called damaged':
    'Of healthy media of the lab, on loop devices; not of real readers under bad contacts.',
  'kill points':
    'Requests of small jobs at which the process was killed or the power cut, as the lab imitates it.',
  'kill points with a false end':
    'That no card called done was not. How a real card behaves without power, only the card knows.',
  'boots proven':
    'Starts in emulated computers, up to the login under the right name. No board has the emulated firmware.',
  'published values compared':
    'Values that others have published. Standards that are read wrongly in the same way on both sides agree.',
  'hostile inputs':
    'Inputs from generators with fixed seeds, with an orderly answer in bounded time. Others are not ruled out.',
  'writes outside the boot volume': 'Of the hostile inputs to the editing of boot volumes alone.',
  'mutants made':
    'Small slips of the kinds that a program can make, in the guard and the verdicts alone; not rules that are missing.',
  'mutants killed':
    'Those that a test noticed. The rest is listed with reasons in `tests/mutants/survivors.ts`; a reason may be wrong.',
};

/** The last number of each name and note: a suite that ran twice counts once. */
function latest(figures: readonly RecordedFigure[]): RecordedFigure[] {
  return [...new Map(figures.map((one) => [`${one.name}\n${one.note}`, one])).values()];
}

const inDigits = (value: number) => value.toLocaleString('en-US');

function rowOf(name: string, limit: string, figures: readonly RecordedFigure[]): string {
  const parts = figures.filter((one) => one.name === name);
  if (parts.length === 0) return `| ${name} | not measured | | ${limit} |`;
  const total = inDigits(parts.reduce((sum, { value }) => sum + value, 0));
  const words = parts.map(({ note, value }) => (parts.length > 1 ? `${note} ${inDigits(value)}` : note));
  return `| ${name} | ${total} | ${words.join(', ')} | ${limit} |`;
}

/** One table (Markdown) over everything that was handed in. `day` is a date as text, `commit` the state measured. */
export function figureTable(figures: readonly RecordedFigure[], day: string, commit: string): string {
  const last = latest(figures);
  const rows = Object.entries(limits).map(([name, limit]) => rowOf(name, limit, last));
  return [
    `Measured on ${day} at ${commit}.`,
    '',
    '| what | number | made up of | what it does not prove |',
    '| --- | ---: | --- | --- |',
    ...rows,
  ].join('\n');
}

const marked = /(<!-- figures -->\n)[\s\S]*?(<!-- end of figures -->)/;

/** The page with its table replaced. Throws where it has no place for one. */
export function replaceFigures(page: string, table: string): string {
  if (!marked.test(page)) throw new Error('the page has no <!-- figures --> and <!-- end of figures -->');
  return page.replace(marked, (_whole, begin: string, end: string) => `${begin}${table}\n${end}`);
}
