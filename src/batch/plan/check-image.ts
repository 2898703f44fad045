import { type Mistake, mistake, type Raw, textAt } from './mistake.ts';

function whyNoSha256(text: string): string | null {
  if (text === '') return 'it is empty';
  if (!/^[0-9A-Fa-f]*$/.test(text)) return 'it has other signs than 0-9 and a-f in it';
  return text.length === 64 ? null : `it has ${text.length} digits, not 64`;
}

/** How the image is known to be right: a digest, or a file of digests, signed or not, but not a mixture. */
export function checkImage(raw: Raw): Mistake[] {
  const given = (key: string) => textAt(raw, ['image', key]) !== null;
  const mistakes: Mistake[] = [];
  const sha256 = textAt(raw, ['image', 'sha256']);
  const why = sha256 === null ? null : whyNoSha256(sha256);
  if (why !== null) mistakes.push(mistake('plan.bad-sha256', ['image', 'sha256'], { why }));
  if (given('sha256') && given('sums')) {
    mistakes.push(mistake('plan.conflicting-sums', ['image', 'sums'], {}, { atKey: true }));
  }
  for (const [key, needed] of [
    ['signature', ['sums', 'keyring']],
    ['keyring', ['signature']],
  ] as const) {
    const missing = needed.filter((other) => !given(other));
    if (!given(key) || missing.length === 0) continue;
    const facts = { given: key, missing: missing.join(' and ') };
    mistakes.push(mistake('plan.incomplete-signature', ['image', key], facts, { atKey: true }));
  }
  return mistakes;
}
