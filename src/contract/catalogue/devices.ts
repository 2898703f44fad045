import type { CatalogueEntry } from './entry.ts';

export const devicesCodes = {} as const satisfies Record<string, CatalogueEntry>;
