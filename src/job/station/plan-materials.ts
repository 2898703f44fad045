import * as fs from 'node:fs';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Plan, PlanNode } from '../../contract/plan.ts';
import type { HostKey } from '../../identity/keys/host-key.ts';
import { hostKeysFor } from './host-keys.ts';

/** What a plan only names: contents of its files, and its nodes' host keys. */
export interface PlanMaterials {
  /** @throws CardwrightError `usage.file-unreadable` */
  readFile(source: string): Uint8Array;
  /**
   * The host keys of a node's next card.
   *
   * @param keeps are new ones kept where the plan says so? A preview leaves nothing behind.
   */
  hostKeys(plan: Plan, node: PlanNode, keeps: boolean): HostKey[];
}

/** As this process can read it. */
export const materialsOnDisk: PlanMaterials = {
  readFile(path) {
    try {
      return fs.readFileSync(path);
    } catch (cause) {
      const errno = (cause as NodeJS.ErrnoException).code ?? 'unknown error';
      throw new CardwrightError('usage.file-unreadable', { facts: { path, errno }, cause });
    }
  },
  hostKeys: hostKeysFor,
};

/** As somebody sent it along: nothing is opened here. */
export function materialsInHand(
  files: ReadonlyMap<string, Uint8Array>,
  hostKeys: ReadonlyMap<string, HostKey[]>,
): PlanMaterials {
  return {
    readFile(path) {
      const content = files.get(path);
      if (content) return content;
      throw new CardwrightError('usage.file-unreadable', { facts: { path, errno: 'it was not sent along' } });
    },
    hostKeys: (_plan, node) => hostKeys.get(node.name) ?? [],
  };
}
