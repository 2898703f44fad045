import { describe, expect, it } from 'vitest';
import { detectContainer } from '../../src/image/container/detect-container.ts';
import { describeWith } from '../lab/capabilities.ts';
import { run } from './recipes.ts';

describeWith(
  ['program:gzip', 'program:xz', 'program:zstd', 'program:bzip2', 'program:zip'],
  'the container of what the reference tools write',
  () => {
    it.each([
      ['gz', 'gzip', ['-c']],
      ['xz', 'xz', ['-c']],
      ['zst', 'zstd', ['-q', '-c']],
      ['bz2', 'bzip2', ['-c']],
      ['zip', 'zip', ['-q', '-', '-']],
    ])('%s', (kind, program, args) => {
      expect(detectContainer(run(program, args, 'orchard').subarray(0, 10))).toBe(kind);
      expect(detectContainer(run(program, args, '').subarray(0, 10))).toBe(kind);
    });
  },
);

describe('magic bytes (all of them: tests/standards)', () => {
  it('knows nothing about too little', () => {
    expect(detectContainer(new Uint8Array())).toBe('raw');
    expect(detectContainer(Buffer.from('1f', 'hex'))).toBe('raw');
  });
});
