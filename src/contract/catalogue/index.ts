import { batchCodes } from './batch.ts';
import { daemonCodes } from './daemon.ts';
import { devicesCodes } from './devices.ts';
import type { CatalogueEntry } from './entry.ts';
import { guardCodes } from './guard.ts';
import { identityCodes } from './identity.ts';
import { imageCodes } from './image.ts';
import { jobCodes } from './job.ts';
import { mediaCodes } from './media.ts';
import { planCodes } from './plan.ts';
import { recordsCodes } from './records.ts';
import { rollcallCodes } from './rollcall.ts';
import { seedCodes } from './seed.ts';
import { usageCodes } from './usage.ts';
import { volumeCodes } from './volume.ts';

export type { CatalogueEntry } from './entry.ts';

/** Every code the tool can say, one part a room. Codes read `room.what-happened`; none is ever used again for something else. */
export const catalogue = {
  ...usageCodes,
  ...planCodes,
  ...devicesCodes,
  ...guardCodes,
  ...mediaCodes,
  ...volumeCodes,
  ...imageCodes,
  ...identityCodes,
  ...seedCodes,
  ...recordsCodes,
  ...jobCodes,
  ...rollcallCodes,
  ...batchCodes,
  ...daemonCodes,
} as const;

export type Code = keyof typeof catalogue;

export function catalogueEntry(code: Code): CatalogueEntry {
  return catalogue[code];
}
