import type { CatalogueEntry } from './entry.ts';

export const mediaCodes = {} as const satisfies Record<string, CatalogueEntry>;
