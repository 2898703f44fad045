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

describe('magic bytes', () => {
  // RFC 1952, xz-file-format 2.1.1.1, RFC 8878 3.1.1 and 3.1.2, APPNOTE 4.3.7 and 4.3.16; bzip2 1.0.8 as dumped
  it.each([
    ['gz', '1f8b0800000000000003'],
    ['xz', 'fd377a585a000004e6d6'],
    ['zst', '28b52ffd240001000099'],
    ['zst', '502a4d1804000000aabb'],
    ['zst', '5f2a4d1804000000aabb'],
    ['bz2', '425a6839314159265359'],
    ['bz2', '425a6831177245385090'],
    ['zip', '504b0304140000000800'],
    ['zip', '504b0506000000000000'],
    ['raw', '425a6839202020202020'],
    ['raw', '602a4d1804000000aabb'],
    ['raw', '504b0708000000000000'],
    ['raw', 'eb3c906d6b66732e6661'],
  ])('%s begins with %s', (kind, head) => {
    expect(detectContainer(Buffer.from(head, 'hex'))).toBe(kind);
  });

  it('knows nothing about too little', () => {
    expect(detectContainer(new Uint8Array())).toBe('raw');
    expect(detectContainer(Buffer.from('1f', 'hex'))).toBe('raw');
  });
});
