import type { Code } from '../../src/contract/catalogue/index.ts';
import type { Disk, DiskKind, DiskUse } from '../../src/contract/devices.ts';
import type { GuardContext, GuardRule } from '../../src/guard/context.ts';
import { guardRules, judgeDisk } from '../../src/guard/judge-disk.ts';
import { makeContext, makeDisk, makePartition, makePolicy, makeUse } from './make-disk.ts';

/** A disk that exactly one rule stops: with the rule it is not allowed, without it it is. */
export interface Case {
  title: string;
  rule: GuardRule;
  code: Code;
  verdict?: 'needs approval';
  disk: Disk;
  context?: Partial<GuardContext>;
}

export const card = makeDisk({ partitions: [makePartition('sdb', 1)] });
export const used = (change: Partial<DiskUse>) => ({ ...card, uses: [makeUse(change)] });
export const emmc = makeDisk({
  name: 'mmcblk1',
  majorMinor: '179:8',
  kind: 'mmc-emmc',
  cid: '0f0e0d0c0b0a09080706050403020100',
});
export const withTransports = (...transports: DiskKind[]) => ({ policy: makePolicy({ transports }) });
export const trialPolicy = { policy: makePolicy({ allowDevices: ['/dev/loop3'] }) };
export const unseen = (decides: boolean) => [{ what: 'open descriptors', why: 'EACCES', decides }];

export function judge(c: Case, rules = guardRules) {
  return judgeDisk(c.disk, makeContext(c.disk, c.context), rules);
}
