import { basename } from 'node:path';
import type { BatchEvent } from '../../batch/run-batch.ts';
import { formatDuration } from '../text/durations.ts';
import { findingFields } from '../text/json-lines.ts';
import { entries, entry, type Sheet } from '../text/sheet.ts';
import { formatSize } from '../text/sizes.ts';
import { adviceOn, findingLines } from './finding-lines.ts';

type Told = Exclude<BatchEvent, { type: 'batch' }>;

/** What a batch tells beside the bench, in words. */
export function batchLines(event: Told, sheet: Sheet): string[] {
  switch (event.type) {
    case 'standing':
      return [
        ...findingLines(sheet, [event.finding]),
        ...entries(sheet, '', adviceOn([event.finding], ['note'])),
      ];
    case 'batch-begun':
      return entry(sheet, 'batch', [
        `${event.batch} of the set ${event.set}`,
        `${event.nodes.length} of ${event.nodeCount} nodes to make`,
      ]);
    case 'staged':
      return [
        ...entry(sheet, 'image', [
          `${basename(event.image)} read through and checked in ${formatDuration(event.elapsedMs)}`,
          `${formatSize(event.sizeBytes)} on each card`,
        ]),
        ...findingLines(sheet, event.notes),
      ];
  }
}

/** The JSON twin. */
export function batchFields(event: BatchEvent): object {
  switch (event.type) {
    case 'standing':
      return { finding: findingFields(event.finding) };
    case 'staged':
      return { ...event, notes: event.notes.map(findingFields) };
    default:
      return event;
  }
}
