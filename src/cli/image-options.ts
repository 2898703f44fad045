import { CardwrightError } from '../contract/cardwright-error.ts';
import type { Plan } from '../contract/plan.ts';
import type { ImageRequest } from '../job/station/check-image.ts';

export interface ChecksumOptions {
  sha256?: string | null;
  sums?: string | null;
  signature?: string | null;
  keyring?: string | null;
}

/** @throws CardwrightError `usage.conflicting-options`, `usage.missing-argument`, `usage.bad-value` */
function expectConsistent({ sha256, sums, signature, keyring }: ChecksumOptions): void {
  const conflict = (option: string, other: string, reason: string) =>
    new CardwrightError('usage.conflicting-options', { facts: { option, other, reason } });
  if (sha256 && sums) throw conflict('--sha256', '--sums', 'each names the checksum');
  const needs = signature ? (sums ? (keyring ? null : '--keyring FILE') : '--sums FILE') : null;
  if (needs)
    throw new CardwrightError('usage.missing-argument', { facts: { argument: needs, command: 'write' } });
  if (sha256 && !/^[0-9a-f]{64}$/i.test(sha256)) {
    const facts = { option: '--sha256', value: sha256, expected: '64 hexadecimal digits' };
    throw new CardwrightError('usage.bad-value', { facts });
  }
}

/**
 * What an image is to be checked by: the options, else what the plan says of its own image.
 *
 * @throws CardwrightError as above
 */
export function imageRequest(path: string, options: ChecksumOptions, plan: Plan | null): ImageRequest {
  expectConsistent(options);
  const own: ChecksumOptions = plan?.image?.file === path ? plan.image : {};
  const { sha256, sums, signature, keyring } = options.sha256 || options.sums ? options : own;
  return {
    path,
    sha256: sha256?.toLowerCase() ?? null,
    sums: sums ?? null,
    signature: signature ?? null,
    keyring: keyring ?? null,
  };
}
