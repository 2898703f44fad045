import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { join, resolve } from 'node:path';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type ExitStatus, exitStatus } from '../../contract/exit-status.ts';
import { type RehearsedCard, runRehearsal } from '../../rehearsal/run-rehearsal.ts';
import type { Desk } from '../desk.ts';
import { done } from '../run-command.ts';
import { notDoneScreen } from '../screens/not-done-screen.ts';
import { isAsForetold, type RehearsedNode, rehearsalScreen } from '../screens/rehearsal-screen.ts';
import { entry } from '../text/sheet.ts';
import { formatSize } from '../text/sizes.ts';
import { toolVersion } from '../version.ts';

export interface RehearseOptions {
  cards: string;
  fault: string;
  folder?: string;
}

/** The whole job on make-believe cards: needs no root and no hardware, and touches no disk. */
export async function rehearseCommand(
  desk: Desk,
  plan: string | undefined,
  options: RehearseOptions,
): Promise<ExitStatus> {
  const { output } = desk;
  const cards = cardCount(options.cards);
  const folder = openFolder(options.folder);
  output.say(
    entry(output.sheet, 'rehearse', [
      'make-believe cards: nothing here touches a disk',
      `files in ${folder}`,
    ]),
  );
  const ends = await runRehearsal({
    folder,
    planPath: plan === undefined ? null : resolve(plan),
    cards,
    fault: options.fault,
    toolVersion,
    port: output.events,
    signal: desk.signal,
    onCard: (node, disk) =>
      output.say([
        '',
        ...entry(output.sheet, node.name, [`on a card of ${formatSize(disk.sizeBytes)}`], { tone: 'strong' }),
      ]),
    onEnd: (end) => output.say(endLines(desk, end)),
  });
  const nodes = ends.map(toShow);
  const asForetold = nodes.every(isAsForetold);
  output.show('rehearsal', { folder, asForetold, nodes }, (sheet) => [
    '',
    ...rehearsalScreen(nodes, sheet),
    ...entry(sheet, 'files', folder),
  ]);
  return asForetold ? done : exitStatus.unexpected;
}

function endLines({ output }: Desk, { error, disk, node, recordId }: RehearsedCard): string[] {
  if (!error) return entry(output.sheet, 'done', `${node.name}, record ${recordId}`, { tone: 'good' });
  return notDoneScreen({ error, identity: disk, node: node.name, recordId, layout: [] }, output.sheet);
}

function toShow({
  node,
  disk,
  fault,
  foretold,
  state,
  code,
  elapsedMs,
  bytesPerSecond,
  recordId,
}: RehearsedCard): RehearsedNode {
  return {
    node: node.name,
    card: `reader ${disk.port?.split(':')[1] ?? ''}, ${formatSize(disk.sizeBytes)}`,
    fault: fault ? fault.kind : null,
    state,
    foretold: foretold.state,
    code,
    foretoldCode: foretold.code,
    elapsedMs,
    bytesPerSecond,
    recordId,
  };
}

function cardCount(text: string): number {
  if (/^[1-9]\d?$/.test(text)) return Number(text);
  throw new CardwrightError('usage.bad-value', {
    facts: { option: '--cards', value: text, expected: 'a number from 1 to 99' },
  });
}

/** A folder that is new or empty: a rehearsal overwrites nothing. */
function openFolder(given: string | undefined): string {
  if (given === undefined) return fs.mkdtempSync(join(tmpdir(), 'cardwright-rehearsal-'));
  const folder = resolve(given);
  fs.mkdirSync(folder, { recursive: true });
  if (fs.readdirSync(folder).length > 0) {
    const facts = { option: '--folder', value: folder, expected: 'a folder that is new or empty' };
    throw new CardwrightError('usage.bad-value', { facts });
  }
  return folder;
}
