import type { DiskKind } from './devices.ts';

/** What the owner of a station allows (/etc/cardwright/policy.yaml). Frozen once read. */
export interface Policy {
  /** where it came from: a path, or "built in" */
  readonly source: string;
  readonly maxSizeBytes: number;
  readonly transports: readonly DiskKind[];
  /** by-id links, CIDs, or a loop device's path: lifts the kind-of-disk part of the rules for these alone */
  readonly allowDevices: readonly string[];
  readonly unmountBelow: readonly string[];
  readonly imageFolders: readonly string[];
  /** USB ids of modules in boot mode beyond those that are known, "0a5c:2711"; only shown, they allow nothing */
  readonly bootModeIds: readonly string[];
  readonly groups: Readonly<Record<string, string>>;
  /** what a daemon does with its jobs when it is told to end */
  readonly atStop: 'finish' | 'cancel';
}

export const defaultPolicy: Policy = Object.freeze({
  source: 'built in',
  maxSizeBytes: 256 * 2 ** 30,
  transports: ['usb', 'mmc-sd'] as const,
  allowDevices: [],
  unmountBelow: ['/media', '/run/media', '/mnt'],
  imageFolders: [],
  bootModeIds: [],
  groups: {},
  atStop: 'cancel' as const,
});
