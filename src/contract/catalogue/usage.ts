import type { CatalogueEntry } from './entry.ts';

export const usageCodes = {} as const satisfies Record<string, CatalogueEntry>;
