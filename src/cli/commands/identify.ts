import { basename } from 'node:path';
import { type ExitStatus, exitStatus } from '../../contract/exit-status.ts';
import { identifyCard } from '../../job/station/identify-card.ts';
import type { Desk } from '../desk.ts';
import { openStation } from '../open-station.ts';
import { done, expectRoot } from '../run-command.ts';
import { contentsOf } from '../screens/card-words.ts';
import { identifyScreen } from '../screens/identify-screen.ts';
import { findingFields } from '../text/json-lines.ts';

/** Which node, set, image and record a card is. Reads only. */
export async function identifyCommand(desk: Desk, device: string): Promise<ExitStatus> {
  const { output } = desk;
  const { disk, read, matches, origin, look } = await identify(desk, device);
  const known = matches.map((match) => ({
    node: match.node,
    set: match.set,
    image: match.image ? basename(match.image.path) : null,
    recordId: match.id,
    writtenAtMs: match.endedAtMs ?? match.begunAtMs,
    state: match.cardState ?? ('unknown' as const),
    hostKey: match.identity.hostKeys[0]?.fingerprint ?? null,
    hostKeys: match.identity.hostKeys.map(({ fingerprint }) => fingerprint),
    matchedBy: match.matchedBy,
  }));
  const { identity, findings } = read;
  const files = look?.files ?? null;
  const said = { known, onTheCard: identity, origin, files };
  output.show('identify', { ...said, findings: findings.map(findingFields) }, (sheet) =>
    identifyScreen({ identity: disk, ...said, contents: contentsOf(disk), findings }, sheet),
  );
  return known.length > 0 || identity ? done : exitStatus.nothingToDo;
}

async function identify(desk: Desk, device: string): ReturnType<typeof identifyCard> {
  const daemon = await desk.daemon();
  if (daemon) return daemon.identify(device);
  expectRoot();
  const station = await openStation(desk, null);
  return identifyCard({ station, records: desk.existingRecords(), port: desk.output.events }, device);
}
