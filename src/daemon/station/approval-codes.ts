import { createHmac, randomBytes } from 'node:crypto';
import type { CardIdentity } from '../../contract/devices.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import { codeOfDisk } from '../../job/station/survey-disks.ts';

/** How long a code that was shown may be typed. */
export const codeLifeMs = 10 * 60_000;
/** More are not kept open for one caller; the oldest goes. */
const mostOfOneCaller = 128;
const mostInAll = 4096;

interface OpenCode {
  code: string;
  caller: string;
  key: Uint8Array;
  expiresAtMs: number;
}

/** Codes that were shown and not yet typed. Each has a key of its own, so that none is ever the same again. */
export interface ApprovalCodes {
  /** a fresh code for the disk as it is now, for this caller alone */
  show(disk: CardIdentity, reader: Pick<SystemReader, 'readBytes'>, caller: string): Promise<string>;
  /** the key that the code was made with, once; null where it was never shown to this caller, is used up or too old */
  redeem(code: string, caller: string): Uint8Array | null;
  /** a key for a question that is asked within a job */
  freshKey(): Uint8Array;
}

/** @param stationKey the station's own secret: a nonce is mixed into it for every code */
export function openApprovalCodes(stationKey: Uint8Array, now: () => number = Date.now): ApprovalCodes {
  let open: OpenCode[] = [];
  const freshKey = () => createHmac('sha256', stationKey).update(randomBytes(16)).digest();
  const forgetOld = () => {
    open = open.filter((one) => one.expiresAtMs > now());
  };
  return {
    freshKey,
    async show(disk, reader, caller) {
      forgetOld();
      const key = freshKey();
      const code = await codeOfDisk(key, disk, reader);
      const own = open.filter((one) => one.caller === caller);
      const tooMany = own.length >= mostOfOneCaller ? own[0] : open.length >= mostInAll ? open[0] : undefined;
      open = open.filter((one) => one !== tooMany && !(one.caller === caller && one.code === code));
      open.push({ code, caller, key, expiresAtMs: now() + codeLifeMs });
      return code;
    },
    redeem(code, caller) {
      forgetOld();
      const found = open.find((one) => one.caller === caller && one.code === code.trim().toUpperCase());
      open = open.filter((one) => one !== found);
      return found?.key ?? null;
    },
  };
}
