import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Disk } from '../../contract/devices.ts';
import type { EventPort } from '../../contract/events.ts';
import { describePort } from '../../devices/resolve-device.ts';
import type { Records } from '../../records/record-types.ts';
import type { EditForecast } from '../engine/foresee-edit.ts';
import { type NodeRequest, notYetWritten, orderEdit } from './order-edit.ts';
import { finishedWithMap, recordsOfCard, takeCardToRead, withWorker } from './read-card.ts';
import type { Station } from './survey-disks.ts';

interface ForeseeJob {
  station: Omit<Station, 'key'>;
  records: Records | null;
  port: EventPort;
  toolVersion: string;
}

/**
 * What giving a finished card to a node would change on it. The card is opened for reading alone, and what is read is
 * compared with its record, as before the edit itself.
 *
 * @throws CardwrightError `devices.*`, `job.*`, `identity.*`, `volume.*`
 */
export async function foreseeOnCard(
  { station, records, port, toolVersion }: ForeseeJob,
  { device, request }: { device: string; request: NodeRequest },
): Promise<{ disk: Disk; recordId: number; forecast: EditForecast }> {
  const { card, disk } = await takeCardToRead(station, device);
  try {
    return await withWorker(card, null, port, async (worker) => {
      const read = await worker.call('readCard', {});
      const { record, map } = finishedWithMap(
        records,
        recordsOfCard(records, card, read),
        describePort(disk),
      );
      if (!read.bootVolume) {
        const facts = { node: request.node.name };
        throw new CardwrightError('job.no-boot-volume', { card: 'untouched', facts });
      }
      const edit = orderEdit(request, {
        volume: read.bootVolume,
        sectorBytes: read.sectorBytes,
        recordUuid: notYetWritten,
        imageSha256: record.image?.packedSha256 ?? null,
        root: null,
        toolVersion,
        nowMs: Date.now(),
        keepsHostKeys: false,
      });
      return { disk, recordId: record.id, forecast: await worker.call('foreseeEdit', { map, edit }) };
    });
  } finally {
    card.close();
  }
}
