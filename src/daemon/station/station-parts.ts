import { dirname } from 'node:path';
import { createLiveReader } from '../../devices/linux/live-reader.ts';
import { loadStationKey } from '../../guard/approval/station-key.ts';
import { loadPolicy } from '../../guard/policy/load-policy.ts';
import { busyDisks } from '../../job/station/busy-disks.ts';
import type { Station } from '../../job/station/survey-disks.ts';
import { openRecords } from '../../records/open-records.ts';
import type { Records, RecordView } from '../../records/record-types.ts';
import { type ApprovalCodes, openApprovalCodes } from './approval-codes.ts';

/** What the privileged part holds from its start to its end. */
export interface StationParts {
  station: Omit<Station, 'key'>;
  records: Records;
  codes: ApprovalCodes;
  /** what digests of settings are keyed with */
  key: Uint8Array;
  /** where the front keeps what was sent; null where nothing can be sent */
  uploads: string | null;
  toolVersion: string;
}

export interface StationPlaces {
  /** null: the system's own */
  policy: string | null;
  records: string;
  uploads: string | null;
}

/**
 * Opens policy, key and records, and settles what an earlier process left behind.
 *
 * @throws CardwrightError `guard.*`, `records.*`
 */
export async function openParts(
  places: StationPlaces,
  toolVersion: string,
): Promise<{ parts: StationParts; interrupted: RecordView[] }> {
  const { policy } = await loadPolicy(places.policy);
  const key = await loadStationKey(dirname(places.records));
  const records = openRecords(places.records, { now: Date.now });
  const interrupted = records.settleInterrupted();
  const station = { reader: createLiveReader(), policy, busyDisks: () => busyDisks(records) };
  const { uploads } = places;
  const codes = openApprovalCodes(key);
  return { parts: { station, records, codes, key, uploads, toolVersion }, interrupted };
}
