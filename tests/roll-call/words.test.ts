import { describe, expect, it } from 'vitest';
import type { Roll } from '../../src/batch/roll-call/call-roll.ts';
import type { Standing } from '../../src/batch/roll-call/classify.ts';
import { rollCallScreen } from '../../src/cli/screens/roll-call-screen.ts';
import { wordsOf } from '../../src/cli/screens/roll-call-words.ts';
import { plainSheet } from '../../src/cli/text/sheet.ts';
import type { PlanNode } from '../../src/contract/plan.ts';

const at = '192.0.2.12';
const fingerprint = 'SHA256:bbXpuKG6zhzdmnxq256TlqzFBzRl2f6OOg722cYNbU8';
const owner = { set: 'orchard', node: 'orchard-03', record: 4, isLatest: true };
const other = { state: 'other-key' as const, at, fingerprint };

const standings: readonly Standing[] = [
  { state: 'ours', at },
  { state: 'other-name', at, calls: 'orchard-02-2.local', taken: ['192.0.2.77'] },
  { state: 'other-name', at, calls: 'orchard-02-2.local', taken: [] },
  { state: 'elsewhere', at },
  { ...other, owner, with: null },
  { ...other, owner, with: 'swapped' },
  { ...other, owner, with: 'copied' },
  { ...other, owner: { ...owner, isLatest: false }, with: null },
  { ...other, owner: { ...owner, node: 'orchard-02', isLatest: false }, with: null },
  { ...other, owner: { ...owner, set: 'meadow' }, with: null },
  { ...other, owner: null, with: null },
  { state: 'stranger', at, fingerprint },
  { state: 'incomparable', at, fingerprint, because: 'never made' },
  { state: 'incomparable', at, fingerprint, because: 'left to the image' },
  ...(['silent', 'refused', 'mute', 'not-found'] as const).map(
    (kind): Standing => ({ state: 'no-answer', silence: { kind }, announced: ['192.0.2.77'] }),
  ),
  { state: 'no-answer', silence: { kind: 'unreachable', why: 'EHOSTUNREACH' }, announced: [] },
  { state: 'no-answer', silence: { kind: 'broken', why: '\u001b[2Jhello\u202e' }, announced: [] },
];

const node: PlanNode = {
  name: 'orchard-02',
  slot: 'A2',
  role: null,
  address: `${at}/24`,
  link: 'wired',
  variables: {},
  files: [],
  boot: { kernelLine: { add: [], remove: [] }, firmware: [] },
  firstBoot: { files: [], commands: [] },
};

describe('how a node stands, in words', () => {
  it.each(standings)('is said of $state in whole sentences, and what to do about it', (standing) => {
    const { short, seen, next } = wordsOf({ ...standing, node: 'orchard-02' }, 'orchard', null);
    expect(short).toMatch(/^[a-z0-9].*[a-z0-9]$/i);
    for (const sentence of [...seen, ...next]) expect(sentence).toMatch(/^\S.*\.$/);
    expect(next.length > 0).toBe(standing.state !== 'ours');
    expect([short, ...seen].join('')).not.toMatch(/[\p{Cc}\p{Cf}]/u);
  });

  it('is never said twice in the same words for different standings', () => {
    const all = standings.map((one) =>
      JSON.stringify(wordsOf({ ...one, node: 'orchard-02' }, 'orchard', null)),
    );
    expect(new Set(all).size).toBe(standings.length);
  });

  it('fits on a screen of 80 columns', () => {
    const entries = standings.map((standing) => ({
      node,
      standing: { ...standing, node: node.name },
      hardware: null,
    }));
    const roll: Roll = { entries, elapsedMs: 130_000 };
    const lines = rollCallScreen(roll, { ...plainSheet, set: 'orchard', hasWaited: true });
    expect(Math.max(...lines.map((line) => line.length))).toBeLessThanOrEqual(80);
    expect(lines.join('\n')).toContain('no answer for 2 min 10 s');
    expect(lines.at(-1)).toBe(`1 of ${standings.length} are here, and the ones we made.`);
  });
});
