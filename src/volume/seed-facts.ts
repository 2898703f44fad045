import { mibBytes } from '../contract/job.ts';

/** By this label, all upper or all lower case, a NoCloud reader finds its volume (cloud-init, "NoCloud"). */
export const seedLabel = 'CIDATA';

/** As little as FAT32 with one sector a cluster takes (65,525 clusters and more), with room to spare. */
export const seedBytes = 36 * mibBytes;
