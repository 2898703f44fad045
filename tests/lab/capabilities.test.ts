import { describe, expect, it } from 'vitest';
import { decide, type Requirement, whyMissing } from './capabilities.ts';

const lacking = (requirement: Requirement) => (requirement === 'root' ? 'not root' : null);

describe('what a test needs', () => {
  it('runs when nothing is missing', () => {
    expect(decide(['loop'], { isCi: true, look: lacking })).toEqual({ action: 'run' });
  });

  it('skips with the reason on a desk, and fails with it on CI', () => {
    expect(decide(['loop', 'root'], { isCi: false, look: lacking })).toEqual({
      action: 'skip',
      reason: 'not root',
    });
    expect(decide(['loop', 'root'], { isCi: true, look: lacking })).toEqual({
      action: 'fail',
      reason: 'not root',
    });
  });

  it('names a program that is not there, and finds one that is', () => {
    expect(whyMissing('program:no-such-program-anywhere')).toBe('no program no-such-program-anywhere');
    expect(whyMissing('program:node')).toBeNull();
  });
});
