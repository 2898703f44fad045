import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Plan, PlanFile, PlanNode } from '../../contract/plan.ts';
import type { HostKey } from '../../identity/keys/host-key.ts';

/** A file that a plan names. */
export type NamedFile = Pick<PlanFile, 'source' | 'template'>;

/** What a plan only names: contents of its files, and its nodes' host keys. */
export interface PlanMaterials {
  /**
   * SHA-256 (hex) of a file as it is, a template before it is filled in.
   *
   * @throws CardwrightError `usage.file-unreadable`
   */
  digestOf(source: string): string;
  /**
   * A file as it goes to the node, a template filled in.
   *
   * @throws CardwrightError `usage.file-unreadable`, `plan.bad-template`
   */
  contentOf(file: NamedFile, plan: Plan, node: PlanNode): Uint8Array;
  /**
   * The host keys of a node's next card.
   *
   * @param keeps are new ones kept where the plan says so? A preview leaves nothing behind.
   */
  hostKeys(plan: Plan, node: PlanNode, keeps: boolean): HostKey[];
}

/** One file may be wanted as it is and filled in. */
export const contentKey = ({ source, template }: NamedFile): string =>
  template ? `filled in: ${source}` : source;

/** What somebody sent along for one node. */
export interface NodeMaterials {
  /** by the path that the plan has for a file */
  digests: ReadonlyMap<string, string>;
  /** by `contentKey` */
  contents: ReadonlyMap<string, Uint8Array>;
  hostKeys: HostKey[];
}

/** As somebody sent it along, by the node's name: nothing is opened or filled in here. */
export function materialsInHand(sent: ReadonlyMap<string, NodeMaterials>): PlanMaterials {
  const missing = (path: string) =>
    new CardwrightError('usage.file-unreadable', { facts: { path, errno: 'it was not sent along' } });
  return {
    digestOf(source) {
      const found = [...sent.values()].find(({ digests }) => digests.has(source));
      const digest = found?.digests.get(source);
      if (digest === undefined) throw missing(source);
      return digest;
    },
    contentOf(file, _plan, node) {
      const content = sent.get(node.name)?.contents.get(contentKey(file));
      if (!content) throw missing(file.source);
      return content;
    },
    hostKeys: (_plan, node) => sent.get(node.name)?.hostKeys ?? [],
  };
}
