import type { CatalogueEntry } from './entry.ts';

export const guardCodes = {} as const satisfies Record<string, CatalogueEntry>;
