import { randomBytes } from 'node:crypto';
import { createTwoFilesPatch } from 'diff';
import { escapeText } from '../../contract/escape-text.ts';
import { identityFileName } from '../../identity/identity-file.ts';
import { keptFolder } from '../../identity/image-files.ts';
import { maskSecrets } from '../../identity/mask-secrets.ts';
import type { EditForecast, FileChange, FileContent } from '../../job/engine/foresee-edit.ts';
import type { NodeRequest } from '../../job/station/order-edit.ts';
import { entries, entry, type Sheet } from '../text/sheet.ts';
import { formatCount, formatSize } from '../text/sizes.ts';

/** One file that would be another, ready to be shown: no secret is in it. */
export interface ShownChange {
  path: string;
  change: 'new' | 'changed' | 'taken-away';
  sizeBefore: number | null;
  sizeAfter: number | null;
  /** unified diff (POSIX diff, "-u"), secrets masked; null where it is not shown, for the reason given */
  diff: string | null;
  hidden: string | null;
}

export interface ShownForecast {
  node: string;
  files: ShownChange[];
  /** in sectors of `sectorBytes` from the beginning of the card; null where the volume is yet to be made */
  sectors: { first: number; count: number }[] | null;
  sectorBytes: number;
}

/** Longer differences are told by their sizes. */
const diffTimeoutMs = 2000;
const mostRangesShown = 8;

/** Turns what an edit would do into what may be shown. */
export function showForecast(
  { changes, ranges }: EditForecast,
  { plan, node }: NodeRequest,
  { sectorBytes, isOnCard }: { sectorBytes: number; isOnCard: boolean },
): ShownForecast {
  const key = randomBytes(32);
  const known = [plan.access.passwordHash, plan.network.wifi?.key].filter((text) => typeof text === 'string');
  const own = new Set(node.files.map(({ path }) => path.toLowerCase()));
  // What is there for the tool alone comes last.
  const inOrder = changes.toSorted(
    (a, b) => Number(a.path === identityFileName) - Number(b.path === identityFileName),
  );
  const files = inOrder.map((change) =>
    showChange(change, { own, mask: (text) => maskSecrets(text, known, key) }),
  );
  const sectors = ranges.map(({ startByte, sizeBytes }) => ({
    first: startByte / sectorBytes,
    count: sizeBytes / sectorBytes,
  }));
  return { node: node.name, files, sectors: isOnCard ? sectors : null, sectorBytes };
}

function showChange(
  { path, before, after }: FileChange,
  { own, mask }: { own: ReadonlySet<string>; mask: (text: string) => string },
): ShownChange {
  const change = before === null ? 'new' : after === null ? 'taken-away' : 'changed';
  const sizes = { sizeBefore: before?.sizeBytes ?? null, sizeAfter: after?.sizeBytes ?? null };
  const hide = (hidden: string): ShownChange => ({ path, change, ...sizes, diff: null, hidden });
  if (path.toLowerCase().startsWith(`${keptFolder}/`)) return hide('kept: it is the image’s own');
  if (own.has(path.toLowerCase())) return hide('not shown: the plan’s own file');
  const texts = [textOf(before), textOf(after)];
  const [old, now] = texts;
  if (old === undefined || now === undefined) return hide('not shown: it is large, or no text');
  const diff = createTwoFilesPatch(
    `${path} as it is`,
    `${path} as it would be`,
    mask(old),
    mask(now),
    '',
    '',
    {
      context: 3,
      timeout: diffTimeoutMs,
      headerOptions: { includeIndex: false, includeUnderline: false, includeFileHeaders: true },
    },
  ) as string | undefined;
  if (diff === undefined) return hide('not shown: it differs in too many places');
  return { path, change, ...sizes, diff, hidden: null };
}

/** undefined where it is no text */
function textOf(content: FileContent | null): string | undefined {
  if (content === null) return '';
  if (content.bytes === null || content.bytes.includes(0)) return undefined;
  try {
    return new TextDecoder('utf-8', { fatal: true }).decode(content.bytes);
  } catch {
    // The decoder's only reason: no UTF-8.
    return undefined;
  }
}

const words = { new: 'new', changed: 'changed', 'taken-away': 'taken away' } as const;

/** The diffs of all files, what is not shown, and which sectors would be written. */
export function forecastScreen(shown: ShownForecast, sheet: Sheet): string[] {
  const counts = (['new', 'changed', 'taken-away'] as const).map((kind) => {
    const count = shown.files.filter(({ change }) => change === kind).length;
    return count === 0 ? null : `${count} ${words[kind]}`;
  });
  return [
    ...entry(sheet, 'files', [
      `for ${shown.node}`,
      ...(shown.files.length === 0 ? ['none would change'] : counts),
    ]),
    ...shown.files.flatMap((file) => diffLines(file, sheet)),
    ...entries(
      sheet,
      'beside',
      shown.files
        .filter(({ hidden }) => hidden !== null)
        .map(({ path, change, sizeBefore, sizeAfter, hidden }) =>
          [`${escapeText(path)}: ${words[change]}`, sizeWords(sizeBefore, sizeAfter), hidden].join(' · '),
        ),
    ),
    ...sectorLines(shown, sheet),
    ...entry(sheet, 'secrets', secretsNote(shown)),
  ];
}

function secretsNote({ files }: ShownForecast): string[] {
  return files.some(({ diff }) => diff?.includes('(secret '))
    ? ['masked; the same mark stands for the same secret, in this output alone']
    : [];
}

function sizeWords(before: number | null, after: number | null): string {
  return [before, after]
    .map((size) => (size === null ? null : formatSize(size)))
    .filter(Boolean)
    .join(' to ');
}

/** A diff keeps its lines as they are: its signs stand in the first column. */
function diffLines({ diff }: ShownChange, sheet: Sheet): string[] {
  if (diff === null) return [];
  return diff
    .split('\n')
    .slice(0, -1)
    .map((line) => {
      const text = escapeText(line, 4000);
      if (/^(---|\+\+\+) /.test(line)) return sheet.ink('strong', text);
      if (line.startsWith('+')) return sheet.ink('good', text);
      if (line.startsWith('-')) return sheet.ink('bad', text);
      return line.startsWith('@@') ? sheet.ink('faint', text) : text;
    });
}

function sectorLines({ sectors, sectorBytes }: ShownForecast, sheet: Sheet): string[] {
  if (sectors === null) return entry(sheet, 'sectors', 'on a volume that is yet to be made');
  const total = sectors.reduce((sum, { count }) => sum + count, 0);
  if (total === 0) return entry(sheet, 'sectors', 'none would be written');
  const named = sectors
    .slice(0, mostRangesShown)
    .map(({ first, count }) =>
      count === 1 ? formatCount(first) : `${formatCount(first)} to ${formatCount(first + count - 1)}`,
    );
  const more = sectors.length - named.length;
  return entry(sheet, 'sectors', [
    `${formatCount(total)} of ${sectorBytes} bytes would be written`,
    ...named,
    more > 0 ? `and ${more} more places (--json has all)` : null,
  ]);
}
