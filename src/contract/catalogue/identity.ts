import type { CatalogueEntry } from './entry.ts';

export const identityCodes = {} as const satisfies Record<string, CatalogueEntry>;
