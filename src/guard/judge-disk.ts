import type { Disk } from '../contract/devices.ts';
import { diskVerdict, type GuardResult } from '../contract/verdict.ts';
import type { GuardContext, GuardRule } from './context.ts';
import { askAboutArchives } from './rules/archive.ts';
import { refuseBootAreas } from './rules/boot-area.ts';
import { requireCardKind } from './rules/card-kind.ts';
import { refuseFixedDisks } from './rules/fixed-disk.ts';
import { requireImageFits } from './rules/image-fits.ts';
import { refuseImageHome } from './rules/image-home.ts';
import { requireOwnLoopStorage } from './rules/loop-storage.ts';
import { requireWritableMedium } from './rules/medium-writable.ts';
import { refuseOtherHolders } from './rules/other-holder.ts';
import { askAboutPlainMounts } from './rules/plain-mount.ts';
import { requireSameSectorSize } from './rules/sector-size.ts';
import { requireWithinSizeLimit } from './rules/size-limit.ts';
import { refuseSystemUse } from './rules/system-use.ts';
import { refuseUnseenFacts } from './rules/unseen-facts.ts';
import { requireWholeDisk } from './rules/whole-disk.ts';

/**
 * Every rule of the guard that is a pure function over the facts, in the order a person wants to read the reasons:
 * what stands on the disk, what sort of disk it is, what does not suit, what to be asked about. The exclusive open
 * and the lock are steps of the claim.
 */
export const guardRules: readonly GuardRule[] = Object.freeze([
  refuseSystemUse,
  refuseOtherHolders,
  refuseImageHome,
  requireWholeDisk,
  requireCardKind,
  requireOwnLoopStorage,
  refuseBootAreas,
  refuseFixedDisks,
  requireWithinSizeLimit,
  requireWritableMedium,
  requireImageFits,
  requireSameSectorSize,
  refuseUnseenFacts,
  askAboutPlainMounts,
  askAboutArchives,
]);

/**
 * May this disk be written? All rules are asked, none is skipped because another has refused already. The verdict
 * is derived from the findings alone. `rules` is for tests that show what each rule is there for.
 */
export function judgeDisk(disk: Disk, context: GuardContext, rules = guardRules): GuardResult {
  const findings = rules.flatMap((rule) => rule(disk, context));
  return { verdict: diskVerdict(findings), findings };
}
