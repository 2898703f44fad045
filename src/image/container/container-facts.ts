import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Fact, Finding } from '../../contract/finding.ts';
import type { ContainerKind } from '../../contract/image.ts';

/** The largest dictionary or window that is allowed: what `zstd -d` grants by itself, and twice `xz -9`. */
export const dictionaryLimitBytes = 128 * 2 ** 20;

/** What a container tells about itself without unpacking. */
export interface ContainerFacts {
  container: ContainerKind;
  /** bytes it unpacks to; null where the format does not tell */
  sizeBytes: number | null;
  /** the file inside a zip; null otherwise */
  memberName: string | null;
  findings: Finding[];
}

export function damaged(container: ContainerKind, detail: string): CardwrightError {
  return new CardwrightError('image.damaged', { facts: { container, detail } });
}

export function truncated(container: ContainerKind, detail: string): CardwrightError {
  return new CardwrightError('image.truncated', { facts: { container, detail } });
}

export function trailingGarbage(container: ContainerKind, detail: string): CardwrightError {
  return new CardwrightError('image.trailing-garbage', { facts: { container, detail } });
}

export function refuseLargeDictionary(container: ContainerKind, neededBytes: number): void {
  if (neededBytes <= dictionaryLimitBytes) return;
  const facts: Record<string, Fact> = { container, neededBytes, limitBytes: dictionaryLimitBytes };
  throw new CardwrightError('image.dictionary-too-large', { facts });
}
