import { makeEthers } from '../../batch/roll-call/papers/make-ethers.ts';
import { makeHosts } from '../../batch/roll-call/papers/make-hosts.ts';
import { makeInventory } from '../../batch/roll-call/papers/make-inventory.ts';
import { makeKnownHosts } from '../../batch/roll-call/papers/make-known-hosts.ts';
import { makeSshConfig } from '../../batch/roll-call/papers/make-ssh-config.ts';
import { openOwnFile, replaceOwnFile } from '../../batch/roll-call/papers/own-file.ts';
import type { PaperFacts } from '../../batch/roll-call/papers/roll-paper.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';

export interface PaperOptions {
  knownHosts?: string;
  sshConfig?: string;
  hosts?: string;
  inventory?: string;
  ethers?: string;
}

type Make = (facts: PaperFacts, before: string) => string;

const makers: readonly (readonly [keyof PaperOptions, Make])[] = [
  ['knownHosts', makeKnownHosts],
  ['sshConfig', makeSshConfig],
  ['hosts', makeHosts],
  ['inventory', makeInventory],
  ['ethers', makeEthers],
];

/** The files that were asked for, looked at before anything else is done: none that is not ours is replaced. */
export interface Papers {
  /** the paths written, in a fixed order */
  write(facts: Omit<PaperFacts, 'knownHosts'>): Promise<string[]>;
}

/** @throws CardwrightError `rollcall.not-ours`, `usage.conflicting-options` for one file under two options */
export async function openPapers(options: PaperOptions, set: string): Promise<Papers> {
  const open: { kind: keyof PaperOptions; make: Make; path: string; before: string }[] = [];
  for (const [kind, make] of makers) {
    const given = options[kind];
    if (given === undefined) continue;
    const file = await openOwnFile(given, set);
    const same = open.find(({ path }) => path === file.path);
    if (same) {
      const facts = { option: optionName(same.kind), other: optionName(kind), reason: 'both name one file' };
      throw new CardwrightError('usage.conflicting-options', { facts });
    }
    open.push({ kind, make, ...file });
  }
  return {
    async write(facts) {
      const knownHosts = open.find(({ kind }) => kind === 'knownHosts')?.path ?? null;
      for (const { make, path, before } of open) {
        await replaceOwnFile(path, set, make({ ...facts, knownHosts }, before));
      }
      return open.map(({ path }) => path);
    },
  };
}

const optionName = (kind: string) => `--${kind.replace(/[A-Z]/g, (letter) => `-${letter.toLowerCase()}`)}`;
