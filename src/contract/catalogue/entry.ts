import type { ExitName } from '../exit-status.ts';

/**
 * One coded result, of a rule, a check or a failed operation. `what` and `next` are templates: `{name}` is
 * replaced by the fact of that name, with foreign text escaped by whoever renders it.
 */
export interface CatalogueEntry {
  /** exit status of a command that ends with it; `done` for notes, which never end a command */
  exit: ExitName;
  /** what happened: what was expected and what was found */
  what: string;
  /** what the person should do next */
  next: string;
  /** a code that is no longer produced; it stays listed and is never used again */
  retired?: true;
}
