import type { DeviceGraph, Disk } from '../contract/devices.ts';
import type { Finding } from '../contract/finding.ts';
import type { Policy } from '../contract/policy.ts';

/** What the guard has to know of the image that is meant for the disk. */
export interface GuardImage {
  /** bytes that go onto the card; null while not known, which refuses */
  sizeBytes: number | null;
  /** bytes that a seed volume behind the image takes beside them; left out where there is none */
  seedBytes?: number;
  /** sector size the image's partition table is laid out for; null where it has no table */
  sectorBytes: number | null;
  /** names ("sda"), nodes or major:minor of the disks on which the image file itself lies; empty on tmpfs or network */
  homeDisks: string[];
  /** false where it could not be found out on which disks the file lies, which refuses */
  homeTraced: boolean;
}

/** Everything a rule may look at besides the disk. `image` is null where no image is concerned (a listing). */
export interface GuardContext {
  graph: DeviceGraph;
  policy: Policy;
  image: GuardImage | null;
}

/** One rule: pure, and an empty answer means that it has nothing against the disk. */
export type GuardRule = (disk: Disk, context: GuardContext) => Finding[];
