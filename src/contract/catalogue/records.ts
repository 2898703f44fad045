import type { CatalogueEntry } from './entry.ts';

export const recordsCodes = {} as const satisfies Record<string, CatalogueEntry>;
