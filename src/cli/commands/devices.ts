import type { ExitStatus } from '../../contract/exit-status.ts';
import { describeFinding } from '../../contract/finding.ts';
import { codeOfDisk, type SurveyedDisk, surveyDisks } from '../../job/station/survey-disks.ts';
import { lastWrittenOn } from '../../job/station/take-card.ts';
import type { Desk } from '../desk.ts';
import { openStation, recordsIfReadable } from '../open-station.ts';
import { done } from '../run-command.ts';
import { devicesScreen, type JudgedDisk } from '../screens/devices-screen.ts';

/** Every disk with its verdict. Reads only; without root it says what it could not see. */
export async function devicesCommand(desk: Desk, options: { all?: boolean }): Promise<ExitStatus> {
  const { graph, disks } = await surveyDisks(await openStation(desk, null), null);
  const records = recordsIfReadable(desk);
  const judged: JudgedDisk[] = [];
  for (const one of disks) {
    judged.push({
      ...one,
      code: await codeIfAllowed(desk, one),
      lastWritten: lastWrittenOn(records, one.disk),
    });
  }
  const fields = {
    disks: judged.map(({ disk, result, code, lastWritten }) => ({
      ...disk,
      verdict: result.verdict,
      findings: result.findings.map((found) => ({ ...found, what: describeFinding(found) })),
      code,
      lastWritten,
    })),
    emptyReaders: graph.emptyReaders,
    unseen: graph.unseen,
    untraced: graph.untraced,
  };
  desk.output.show('devices', fields, (sheet) =>
    devicesScreen(graph, judged, { ...sheet, all: options.all === true }),
  );
  return done;
}

async function codeIfAllowed(desk: Desk, { disk, result }: SurveyedDisk): Promise<string | null> {
  if (result.verdict === 'refused') return null;
  return codeOfDisk(await desk.key(), disk, desk.reader);
}
