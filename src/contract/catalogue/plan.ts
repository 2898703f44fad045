import type { CatalogueEntry } from './entry.ts';

export const planCodes = {} as const satisfies Record<string, CatalogueEntry>;
