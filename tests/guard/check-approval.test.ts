import { describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { adviseOn, describeFinding } from '../../src/contract/finding.ts';
import { checkApproval, parseApproval } from '../../src/guard/approval/check-approval.ts';

describe('what a person types', () => {
  it.each([
    ['K7QF', 'K7QF', null],
    [' k7qf ', 'K7QF', null],
    ['k7qf:Photos', 'K7QF', 'Photos'],
    [' k7qf : my photos ', 'K7QF', 'my photos'],
    ['K7QF:a:b', 'K7QF', 'a:b'],
    ['K7QF:', 'K7QF', null],
    ['K7QF:  ', 'K7QF', null],
    [':PHOTOS', '', 'PHOTOS'],
    ['', '', null],
  ])('%j', (text, code, name) => {
    expect(parseApproval(text)).toEqual({ code, name });
  });
});

describe('an approval', () => {
  const expected = 'K7QF';

  it.each([
    ['K7QF', null],
    ['k7qf', null],
    ['K7QF:whatever', null],
    ['K7QF:PHOTOS', 'PHOTOS'],
    ['k7qf:photos ', 'PHOTOS'],
    // One letter with its accent, and the same in two code points (Unicode, NFC and NFD).
    ['K7QF:Ernte-A\u0308pfel', 'Ernte-\u00c4pfel'],
  ])('%j is one where the name %j is demanded', (typed, demandedName) => {
    expect(checkApproval({ typed, expected, demandedName })).toEqual([]);
  });

  it.each([
    [null, null, 'guard.approval-missing'],
    ['', null, 'guard.approval-missing'],
    ['  ', 'PHOTOS', 'guard.approval-missing'],
    [':PHOTOS', 'PHOTOS', 'guard.approval-missing'],
    ['9MXA', null, 'guard.approval-wrong'],
    ['9MXA:PHOTOS', 'PHOTOS', 'guard.approval-wrong'],
    ['K7Q', null, 'guard.approval-wrong'],
    ['K7QFX', null, 'guard.approval-wrong'],
    ['K7QF PHOTOS', 'PHOTOS', 'guard.approval-wrong'],
    ['K7QF', 'PHOTOS', 'guard.approval-name-missing'],
    ['K7QF:', 'PHOTOS', 'guard.approval-name-missing'],
    ['K7QF:MUSIC', 'PHOTOS', 'guard.approval-name-wrong'],
    ['K7QF:PHOTO', 'PHOTOS', 'guard.approval-name-wrong'],
  ] as const)('%j is none where the name %j is demanded: %s', (typed, demandedName, code) => {
    const found = checkApproval({ typed, expected, demandedName });
    expect(found.map((f) => f.code)).toEqual([code]);
    expect(found[0]?.severity).toBe('refuse');
    expect(new CardwrightError(code, { facts: found[0]!.facts }).exitStatus).toBe(9);
    const sentences = `${describeFinding(found[0]!)} ${adviseOn(found[0]!)}`;
    expect(sentences).not.toMatch(/[{}]/);
    // Whoever mistyped is not told what would have been right.
    if (!typed?.startsWith(expected)) expect(sentences).not.toContain(expected);
  });
});
