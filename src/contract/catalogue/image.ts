import type { CatalogueEntry } from './entry.ts';

export const imageCodes = {} as const satisfies Record<string, CatalogueEntry>;
