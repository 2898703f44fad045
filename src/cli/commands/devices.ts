import type { DeviceGraph } from '../../contract/devices.ts';
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
  const { graph, judged } = await lookAtDisks(desk);
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

interface Look {
  graph: DeviceGraph;
  judged: JudgedDisk[];
}

async function lookAtDisks(desk: Desk): Promise<Look> {
  const daemon = await desk.daemon();
  if (!daemon) return lookHere(desk);
  const { graph, looks } = await daemon.look();
  const judged = graph.disks.flatMap((disk, index) => {
    const look = looks[index];
    return look ? [{ disk, ...look }] : [];
  });
  return { graph, judged };
}

async function lookHere(desk: Desk): Promise<Look> {
  const { graph, disks } = await surveyDisks(await openStation(desk, null), null);
  const records = recordsIfReadable(desk);
  const judged: JudgedDisk[] = [];
  for (const one of disks) {
    const lastWritten = lastWrittenOn(records, one.disk);
    judged.push({ ...one, code: await codeIfAllowed(desk, one), lastWritten });
  }
  return { graph, judged };
}

async function codeIfAllowed(desk: Desk, { disk, result }: SurveyedDisk): Promise<string | null> {
  if (result.verdict === 'refused') return null;
  return codeOfDisk(await desk.key(), disk, desk.reader);
}
