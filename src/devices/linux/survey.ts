import type { Disk, DiskUse, UnseenFact } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import { type BlockMap, standingsOf } from './block-map.ts';
import type { DeviceLink } from './device-links.ts';
import type { MountView } from './mount-namespaces.ts';
import type { Home, HomeTables } from './storage-homes.ts';

/** What a graph is built from and into: facts already read, and the lists that grow as uses are found. */
export interface Survey {
  reader: SystemReader;
  map: BlockMap;
  disks: Map<string, Disk>;
  links: readonly DeviceLink[];
  views: readonly MountView[];
  tables: HomeTables;
  unseen: UnseenFact[];
  untraced: Set<string>;
}

export type UseSeed = Pick<DiskUse, 'kind' | 'what'> & Partial<DiskUse>;

/** Notes a use on every disk beneath the block device, down through all that it stands on. */
export function recordUse(survey: Survey, block: string, seed: UseSeed): void {
  for (const { disk, on, through } of standingsOf(survey.map, block)) {
    const uses = survey.disks.get(disk)?.uses;
    const use: DiskUse = {
      namespace: null,
      fsType: null,
      options: null,
      pid: null,
      ...seed,
      on,
      through,
    };
    const key = JSON.stringify(use);
    if (uses && !uses.some((known) => JSON.stringify(known) === key)) uses.push(use);
  }
}

/** Notes a use on everything beneath a home; what could not be traced is noted as such, under `name`. */
export function recordHome(survey: Survey, home: Home, name: string, seed: UseSeed): void {
  for (const block of home.blocks) recordUse(survey, block, seed);
  if (home.why !== null) survey.untraced.add(`${name}: ${home.why}`);
}
