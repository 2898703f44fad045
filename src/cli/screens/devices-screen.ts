import type { DeviceGraph, Disk, DiskKind, EmptyReader } from '../../contract/devices.ts';
import { escapeText } from '../../contract/escape-text.ts';
import { adviseOn, describeFinding } from '../../contract/finding.ts';
import type { DiskVerdict, GuardResult } from '../../contract/verdict.ts';
import type { Tone } from '../text/ink.ts';
import { entries, entry, type Sheet } from '../text/sheet.ts';
import { formatSize } from '../text/sizes.ts';
import { type Row, table } from '../text/table.ts';
import { textWidth } from '../text/text-width.ts';
import { wrap } from '../text/wrap.ts';
import { cardName, contentsOf, readerName, wearPhrases } from './card-words.ts';
import { adviceOn, findingLines } from './finding-lines.ts';

export interface JudgedDisk {
  disk: Disk;
  result: GuardResult;
  /** the approval code; null where the disk is refused */
  code: string | null;
  /** what the records say of this card, e.g. "3 Nov as orchard-05 (record 9)" */
  lastWritten: string | null;
}

export interface DevicesOptions extends Sheet {
  /** lists the machine's imaginary disks (loop, RAM, …) one by one as well */
  all?: boolean;
}

const verdicts: Record<DiskVerdict, { words: string; tone: Tone }> = {
  allowed: { words: 'may be written', tone: 'good' },
  'needs approval': { words: 'needs consent', tone: 'care' },
  refused: { words: 'refused', tone: 'bad' },
};

const verdictOrder: readonly DiskVerdict[] = ['allowed', 'needs approval', 'refused'];

/** Refused ones of these kinds are only counted: nobody takes them for a card. */
const seldomShown: ReadonlySet<DiskKind> = new Set<DiskKind>([
  'loop',
  'ram',
  'zram',
  'nbd',
  'device-mapper',
  'md',
  'optical',
  'mmc-boot',
  'other-virtual',
]);

const detail = { indent: 4 };
/** A reader's name of more columns than this stands below its row, so that the table keeps its shape. */
const mostNameColumns = 28;

/** Every disk with its verdict, the code that approves it, and why; then the empty readers, then the count. */
export function devicesScreen(
  graph: DeviceGraph,
  judged: readonly JudgedDisk[],
  options: DevicesOptions,
): string[] {
  const shown = judged.filter(
    ({ disk, result }) => options.all || result.verdict !== 'refused' || !seldomShown.has(disk.kind),
  );
  const sorted = verdictOrder.flatMap((verdict) => shown.filter(({ result }) => result.verdict === verdict));
  const rows = [
    ...sorted.map((one) => diskRow(one, options)),
    ...graph.emptyReaders.map((reader) => emptyRow(reader, options)),
  ];
  const columns = [
    { head: 'reader' },
    { head: 'card' },
    { head: 'size', align: 'right' as const },
    { head: 'verdict' },
    { head: 'code' },
  ];
  const none =
    judged.length > 0 ? 'There is no card and no reader to show.' : 'No disk and no reader was found.';
  const list = rows.length > 0 ? table(options, columns, rows) : [none];
  const above = [...list, ...machineLines(graph, options)];
  return [...above, ...(above.at(-1) === '' ? [] : ['']), ...countLines(judged, shown, options)];
}

function diskRow({ disk, result, code, lastWritten }: JudgedDisk, sheet: Sheet): Row {
  const { words, tone } = verdicts[result.verdict];
  const contents = contentsOf(disk);
  // Of several refusals the guard tells the weightiest first: advice on the others would raise false hope.
  const advice =
    result.verdict === 'refused'
      ? adviceOn(result.findings, ['refuse', 'fail']).slice(0, 1)
      : adviceOn(result.findings, ['ask']);
  return {
    cells: [
      readerName(disk),
      cardName(disk),
      disk.sizeBytes > 0 ? formatSize(disk.sizeBytes) : 'none',
      { text: words, tone },
      code === null ? '' : { text: code, tone: 'strong' },
    ],
    details: [
      ...findingLines(sheet, result.findings, detail),
      ...entry(sheet, 'on it', contents.length > 0 ? contents : 'could not be read', detail),
      ...entry(sheet, 'written', lastWritten === null ? [] : `by us, ${lastWritten}`, detail),
      ...entry(sheet, 'wear', disk.wear === null ? [] : wearPhrases(disk.wear), detail),
      ...entry(sheet, 'unseen', unseenPhrases(disk.unseen), { ...detail, tone: 'care' }),
      ...entry(sheet, 'node', [escapeText(disk.node), disk.readOnly ? 'read-only' : null], detail),
      ...entries(sheet, 'next', advice, detail),
      '',
    ],
  };
}

function emptyRow(reader: EmptyReader, sheet: Sheet): Row {
  const place = readerName({ port: reader.port, lun: reader.lun, node: reader.port });
  const name = escapeText(reader.name ?? '', 60);
  const isShort = textWidth(name) <= mostNameColumns;
  const usbId = reader.bootModeId;
  const waits =
    usbId === undefined ? null : ({ code: 'devices.module-waits', facts: { device: place, usbId } } as const);
  if (waits) {
    return {
      cells: [place, '', '', { text: 'module waits', tone: 'care' }],
      details: [
        ...entry(sheet, 'it is', describeFinding(waits), detail),
        ...entry(sheet, 'next', adviseOn(waits), detail),
      ],
    };
  }
  return {
    cells: [place, isShort ? name : '', '', 'no card'],
    details: entry(sheet, 'it is', isShort ? [] : name, detail),
  };
}

function unseenPhrases(unseen: readonly { what: string; why: string }[]): string[] {
  return unseen.map(({ what, why }) => `${escapeText(what)} (${escapeText(why)})`);
}

function machineLines(graph: DeviceGraph, sheet: Sheet): string[] {
  const tone = { tone: 'care' as const };
  const untraced = graph.untraced.map(
    (what) => `The running system uses ${escapeText(what)}, and on which disk that lies could not be found.`,
  );
  return [
    ...entry(sheet, 'unseen', unseenPhrases(graph.unseen), tone),
    ...entries(sheet, 'untraced', untraced, tone),
  ];
}

function countLines(
  judged: readonly JudgedDisk[],
  shown: readonly JudgedDisk[],
  options: DevicesOptions,
): string[] {
  const refused = judged.filter(({ result }) => result.verdict === 'refused').length;
  const hidden = judged.length - shown.length;
  const asking = judged.filter(({ result }) => result.verdict === 'needs approval').length;
  const consent = asking > 0 ? `, ${asking} of them only with your consent` : '';
  const notListed = hidden > 0 ? ` (${hidden} of these not listed: --all)` : '';
  const count = `${judged.length - refused} may be written${consent}, ${refused} refused${notListed}.`;
  return wrap(`${count} Nothing here is opened for writing until you type a code.`, options.width);
}
