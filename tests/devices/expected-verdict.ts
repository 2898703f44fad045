import type { DiskVerdict } from '../../src/contract/verdict.ts';

/** The verdict on a disk, then all reasons, in the words of `reason-words.ts`. */
export type ExpectedDisk = readonly [DiskVerdict, ...string[]];

/** Machine → disk → verdict and reasons. */
export type ExpectedMachines = Readonly<Record<string, Readonly<Record<string, ExpectedDisk>>>>;

export const allowed: ExpectedDisk = ['allowed'];

/** What is said of every disk that is built into a machine. */
export const fixed = ['refuse transport-not-allowed', 'refuse fixed-disk'] as const;

export const unread = 'refuse fact-unseen what stands on it now because its content was not read';

export const named = 'note named-in-policy';
