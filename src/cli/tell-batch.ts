import type { BatchEvent } from '../batch/run-batch.ts';
import type { Output } from './output.ts';
import { batchFields, batchLines } from './screens/batch-lines.ts';
import { batchScreen } from './screens/batch-screen.ts';

/** Puts out what a batch tells beside the bench: words on its way, a table at its end. */
export function tellBatch(output: Output, event: BatchEvent): void {
  if (event.type !== 'batch') {
    output.tell(event.type, batchFields(event), batchLines(event, output.sheet));
    return;
  }
  output.settle();
  output.show('batch', batchFields(event), (sheet) => batchScreen(event.nodes, sheet));
}
