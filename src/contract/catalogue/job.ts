import type { CatalogueEntry } from './entry.ts';

export const jobCodes = {} as const satisfies Record<string, CatalogueEntry>;
