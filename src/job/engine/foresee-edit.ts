import type { ByteSource } from '../../contract/blocks.ts';
import type { Finding } from '../../contract/finding.ts';
import type { MechanismFacts } from '../../contract/identity.ts';
import { type BootVolume, openVolume } from '../../volume/open-volume.ts';
import { type EditOrder, editFiles, withRoot } from './edit-boot-volume.ts';

/** Files as large as this are told by their sizes alone. */
const largestShownBytes = 256 * 1024;

export interface FileContent {
  sizeBytes: number;
  /** null where it is too large to be shown */
  bytes: Uint8Array | null;
}

export interface FileChange {
  path: string;
  /** null where there is no such file */
  before: FileContent | null;
  after: FileContent | null;
}

/** What an edit would do, without anything written. */
export interface EditForecast {
  mechanism: MechanismFacts;
  /** the files that would be other than they are, by path */
  changes: FileChange[];
  /** what would be written, at absolute offsets, in their order on the card; neighbours are joined */
  ranges: { startByte: number; sizeBytes: number }[];
  findings: Finding[];
}

/**
 * Does the edit in memory and compares.
 *
 * @throws CardwrightError `identity.*`, `volume.*`, as the edit itself would
 */
export function foreseeEdit(volume: BootVolume, order: EditOrder): EditForecast {
  const before = new Map<string, { path: string; content: FileContent | null }>();
  const note = (path: string) => {
    const key = path.toLowerCase();
    if (!before.has(key)) before.set(key, { path, content: contentAt(volume, path) });
  };
  const noting: BootVolume = Object.assign(Object.create(volume) as BootVolume, {
    writeFile: (path: string, bytes: Uint8Array) => {
      note(path);
      volume.writeFile(path, bytes);
    },
    removeFile: (path: string) => {
      note(path);
      return volume.removeFile(path);
    },
  });
  const { mechanism, findings } = editFiles(noting, order);
  const changes = [...before.values()]
    .map(({ path, content }) => ({ path, before: content, after: contentAt(volume, path) }))
    .filter((change) => !isSame(change.before, change.after))
    .sort((a, b) => (a.path < b.path ? -1 : 1));
  return { mechanism, changes, ranges: rangesOf(volume), findings: [...volume.findings, ...findings] };
}

/**
 * What the edit would do to a finished card, without anything written.
 *
 * @throws CardwrightError `identity.*`, `volume.*`, `job.mismatch`
 */
export async function foreseeCardEdit(source: ByteSource, order: EditOrder): Promise<EditForecast> {
  const known = await withRoot(source, order);
  const volume = openVolume(source, order.volume, { modifiedAtMs: order.modifiedAtMs });
  try {
    return foreseeEdit(volume, known);
  } finally {
    volume.close();
  }
}

function contentAt(volume: BootVolume, path: string): FileContent | null {
  const entry = volume.stat(path);
  if (entry?.kind !== 'file') return null;
  const bytes = volume.readFile(path);
  return { sizeBytes: bytes.length, bytes: bytes.length > largestShownBytes ? null : Uint8Array.from(bytes) };
}

/** Large files whose bytes are not kept count as changed. */
function isSame(a: FileContent | null, b: FileContent | null): boolean {
  if (a === null || b === null) return a === b;
  return a.bytes !== null && b.bytes !== null && Buffer.compare(a.bytes, b.bytes) === 0;
}

function rangesOf(volume: BootVolume): EditForecast['ranges'] {
  const ranges: EditForecast['ranges'] = [];
  for (const { offset, data } of volume.changes().toSorted((a, b) => a.offset - b.offset)) {
    const last = ranges.at(-1);
    if (last && last.startByte + last.sizeBytes === offset) last.sizeBytes += data.length;
    else ranges.push({ startByte: offset, sizeBytes: data.length });
  }
  return ranges;
}
