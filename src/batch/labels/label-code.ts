import type { LabelFacts } from './label-facts.ts';

/**
 * What the QR code of a label holds: name, address and host-key fingerprint, a line each, those that are known.
 * Plain words, so that any telephone shows something useful and a program can take it apart.
 */
export function labelCode({ node, address, fingerprint }: LabelFacts): string {
  return [node, address, fingerprint].filter((line) => line !== null).join('\n');
}
