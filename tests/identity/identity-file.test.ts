import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { makeIdentityFile, type NodeIdentity, readIdentityFile } from '../../src/identity/identity-file.ts';

const identity: NodeIdentity = {
  set: 'orchard',
  node: 'orchard-01',
  record: '0b9c2f9e-58a5-4a7c-9a55-7d6f3b1f0c11',
  // FIPS 180-4, SHA-256("abc")
  imageSha256: 'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad',
  tool: '0.1.0',
  writtenAt: '2031-11-03T21:46:58.000Z',
};
const content = () => JSON.parse(Buffer.from(makeIdentityFile(identity).content).toString('utf8'));
const read = (value: unknown) => readIdentityFile(Buffer.from(JSON.stringify(value)));

describe('the identity file', () => {
  it('is a small readable file that reads back as it was made', () => {
    const file = makeIdentityFile(identity);
    expect([file.path, file.secret]).toEqual(['cardwright.node', false]);
    expect(content()).toEqual({ format: 1, ...identity });
    expect(file.content.at(-1)).toBe(0x0a);
    expect(readIdentityFile(file.content)).toEqual({ ok: true, identity });
    const unhashed = { ...identity, imageSha256: null };
    expect(readIdentityFile(makeIdentityFile(unhashed).content)).toEqual({ ok: true, identity: unhashed });
  });

  it.each([
    ['nothing', '', /not JSON/],
    ['no JSON', 'orchard-01', /not JSON/],
    ['no UTF-8', Buffer.from([0x22, 0xff, 0x22]), /not JSON/],
    ['too much', ' '.repeat(5000), /larger than/],
  ])('refuses %s', (_title, bytes, reason) => {
    const result = readIdentityFile(Buffer.from(bytes));
    expect(result.ok ? 'taken' : result.reason).toMatch(reason);
  });

  it.each([
    ['a list', [], /as a whole/],
    ['null', null, /as a whole/],
    ['a newer format', { ...content(), format: 2 }, /format 2 is newer/],
    ['no format', { ...identity }, /format/],
    ['a format in words', { ...content(), format: '1' }, /format/],
    ['an unknown key', { ...content(), extra: 1 }, /as a whole|extra/],
    ['a missing key', { ...content(), node: undefined }, /node/],
    ['a digest that is none', { ...content(), imageSha256: 'abc' }, /imageSha256/],
    ['a time that is none', { ...content(), writtenAt: 'yesterday' }, /writtenAt/],
    ['an endless name', { ...content(), node: 'x'.repeat(300) }, /node/],
    ['a number for a name', { ...content(), node: 7 }, /node/],
  ])('refuses %s', (_title, value, reason) => {
    const result = read(value);
    expect(result.ok ? 'taken' : result.reason).toMatch(reason);
  });

  it('never throws on what stands on a foreign card', () => {
    fc.assert(
      fc.property(
        fc.oneof(
          fc.uint8Array({ maxLength: 300 }),
          fc.json().map((json) => Buffer.from(json)),
        ),
        (bytes) => {
          expect(readIdentityFile(bytes).ok).toBe(false);
        },
      ),
      { numRuns: 200, seed: 3 },
    );
  });
});
