import { createHash } from 'node:crypto';
import fs from 'node:fs';
import path from 'node:path';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { expectedSha256, requireSha256 } from '../../src/image/checksum/expected-sha256.ts';
import { hashFile } from '../../src/image/checksum/hash-file.ts';
import { findSum, parseSha256, readSums } from '../../src/image/checksum/read-sums.ts';
import { codeOf, sparseFile, workFolder } from './recipes.ts';

const folder = workFolder();
// sha256("hello world\n"): FIPS 180-4, by sha256sum (facts, section 1)
const hello = 'a948904f2f0f479b8f8197694b30184b0d2ed1c1cd2a1ec0fb85d299a192a447';
const other = '0'.repeat(64);

function save(name: string, content: string | Uint8Array): string {
  const file = path.join(folder, name);
  fs.writeFileSync(file, content);
  return file;
}

describe('the digest of a file', () => {
  it('is told of as it goes on', async () => {
    const steps: [number, number][] = [];
    const file = sparseFile(path.join(folder, 'steps'), 3 * 2 ** 20 + 1);
    await hashFile(file, (done, total) => steps.push([done, total]));
    expect(steps.at(-1)).toEqual([3 * 2 ** 20 + 1, 3 * 2 ** 20 + 1]);
    expect(steps.length).toBeGreaterThan(3);
  });

  it('of a file that changes meanwhile is none', async () => {
    const file = sparseFile(path.join(folder, 'moving'), 2 ** 23);
    expect(await codeOf(() => hashFile(file, () => fs.appendFileSync(file, 'x')))).toBe('image.changed');
  });
});

describe('a digest as a person gives it', () => {
  it('has 64 hexadecimal digits', async () => {
    expect(parseSha256(` ${hello.toUpperCase()}\n`)).toBe(hello);
    for (const bad of ['', hello.slice(1), `${hello}0`, `g${hello.slice(1)}`, `sha256:${hello}`]) {
      expect(await codeOf(() => parseSha256(bad))).toBe('image.checksum-malformed');
    }
  });
});

describe('a checksum file', () => {
  it('without a usable line is refused', async () => {
    for (const text of [
      '',
      '<html>404</html>',
      `\ufeff${hello}  plain.img\n`,
      `${hello.slice(2)}  plain.img\n`,
      `\\${hello}  bad\\qname\n`,
      'a\0b',
    ]) {
      expect(await codeOf(() => readSums(text))).toBe('image.sums-unreadable');
    }
    // another algorithm in the same file does no harm
    expect(readSums(`SHA512 (plain.img) = ${other}${other}\nSHA256 (plain.img) = ${hello}\n`)).toHaveLength(
      1,
    );
  });

  it('has one answer for a name, or none, or is ambiguous', async () => {
    const entries = readSums(`${hello}  ./images/node-os.img\n${other}  node-os.img.xz\n`);
    expect(findSum(entries, 'node-os.img')).toBe(hello);
    expect(findSum(entries, 'node-os.img.xz')).toBe(other);
    expect(await codeOf(() => findSum(entries, 'os.img'))).toBe('image.sums-without-entry');
    const twice = readSums(`${hello}  a/node-os.img\n${other}  b/node-os.img\n`);
    expect(await codeOf(() => findSum(twice, 'node-os.img'))).toBe('image.sums-ambiguous');
    const exact = readSums(`${hello}  node-os.img\n${other}  b/node-os.img\n${hello} *node-os.img\n`);
    expect(findSum(exact, 'node-os.img')).toBe(hello);
  });

  it('never throws anything but a CardwrightError', () => {
    fc.assert(
      fc.property(fc.string({ unit: 'binary', maxLength: 300 }), (text) => {
        try {
          for (const { sha256 } of readSums(`${text}\n${hello} x`)) expect(sha256).toMatch(/^[0-9a-f]{64}$/);
        } catch (error) {
          expect(error).toBeInstanceOf(CardwrightError);
        }
      }),
    );
  });
});

describe('what an image must have', () => {
  it('is the digest that was given, or that of the checksum file; both have to agree', async () => {
    const image = path.join(folder, 'node-os.img');
    expect(await expectedSha256({ image })).toBeNull();
    expect(await expectedSha256({ image, sha256: hello })).toEqual({
      sha256: hello,
      from: 'given',
      fingerprints: [],
    });
    const sums = save('SHA256SUMS', `${hello}  node-os.img\n`);
    expect(await expectedSha256({ image, sums })).toMatchObject({ sha256: hello, from: 'sums' });
    expect(await expectedSha256({ image, sums, sha256: hello })).toMatchObject({ from: 'sums' });
    expect(await codeOf(() => expectedSha256({ image, sums, sha256: other }))).toBe('image.checksum-differs');
    expect(await codeOf(() => expectedSha256({ image, sums: '/dev/null' }))).toBe('image.not-a-regular-file');
  });

  it('and a difference is said with both', () => {
    expect(() => requireSha256('node-os.img', hello, hello)).not.toThrow();
    expect(() => requireSha256('node-os.img', hello, other)).toThrow(new RegExp(`${hello}.*${other}`));
  });

  it('the digest of node:crypto is the one of sha256sum', () => {
    expect(createHash('sha256').update('hello world\n').digest('hex')).toBe(hello);
  });
});
