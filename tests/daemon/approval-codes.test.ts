import { describe, expect, it } from 'vitest';
import type { CardIdentity } from '../../src/contract/devices.ts';
import { codeLifeMs, openApprovalCodes } from '../../src/daemon/station/approval-codes.ts';
import { codeOfDisk } from '../../src/job/station/survey-disks.ts';

const disk: CardIdentity = {
  node: '/dev/sdz',
  majorMinor: '8:400',
  port: 'usb:1-2',
  lun: 0,
  vendor: null,
  model: null,
  serial: 'PEAR',
  cid: null,
  sizeBytes: 4096,
  diskseq: 9,
};
const reader = {
  readBytes: async (_path: string, _at: number, length: number) => ({
    ok: true as const,
    value: new Uint8Array(length),
  }),
};
const stationKey = new Uint8Array(32).fill(7);

describe('approval codes through the daemon', () => {
  it('are fresh every time, and the key that comes with one makes the same code for the same disk', async () => {
    const codes = openApprovalCodes(stationKey);
    const shown = [];
    for (let n = 0; n < 8; n++) shown.push(await codes.show(disk, reader, 'grower'));
    expect(new Set(shown).size).toBeGreaterThan(1);
    const code = shown.at(-1) ?? '';
    const key = codes.redeem(code.toLowerCase(), 'grower');
    expect(key && (await codeOfDisk(key, disk, reader))).toBe(code);
    expect(key && (await codeOfDisk(key, { ...disk, diskseq: 10 }, reader))).not.toBe(code);
  });

  it('work once, for whom they were shown to, and not for long', async () => {
    let nowMs = 0;
    const codes = openApprovalCodes(stationKey, () => nowMs);
    const code = await codes.show(disk, reader, 'grower');
    expect(codes.redeem(code, 'somebody')).toBeNull();
    expect(codes.redeem(code, 'grower')).not.toBeNull();
    expect(codes.redeem(code, 'grower')).toBeNull();
    const late = await codes.show(disk, reader, 'grower');
    nowMs += codeLifeMs;
    expect(codes.redeem(late, 'grower')).toBeNull();
  });

  it('are bounded in number: the oldest goes, and nobody else’s', async () => {
    const codes = openApprovalCodes(stationKey);
    const theirs = await codes.show(disk, reader, 'somebody');
    const first = await codes.show(disk, reader, 'grower');
    for (let n = 0; n < 200; n++) await codes.show(disk, reader, 'grower');
    expect(codes.redeem(first, 'grower')).toBeNull();
    expect(codes.redeem(theirs, 'somebody')).not.toBeNull();
  });
});
