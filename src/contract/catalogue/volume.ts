import type { CatalogueEntry } from './entry.ts';

export const volumeCodes = {} as const satisfies Record<string, CatalogueEntry>;
