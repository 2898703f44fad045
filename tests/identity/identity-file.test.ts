import { execFileSync } from 'node:child_process';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  type CardListing,
  makeIdentityFile,
  type NodeIdentity,
  readIdentityFile,
} from '../../src/identity/identity-file.ts';
import { compareFile, listFile } from '../../src/identity/listed-files.ts';
import { codeOf } from '../volume/fat-image.ts';

// FIPS 180-4, SHA-256("abc")
const sha256OfAbc = 'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad';
const identity: NodeIdentity = {
  set: 'orchard',
  node: 'orchard-01',
  record: '0b9c2f9e-58a5-4a7c-9a55-7d6f3b1f0c11',
  imageSha256: sha256OfAbc,
  tool: '0.1.0',
  writtenAt: '2031-11-03T21:46:58.000Z',
};
const key = Buffer.alloc(32, 'key');
const abc = { path: 'files/abc', content: Buffer.from('abc'), secret: false };
const wifi = { path: 'user-data', content: Buffer.from('apple'), secret: true };
const listing: CardListing = { files: [listFile(abc, key), listFile(wifi, key)], folders: ['files'] };
const text = () => Buffer.from(makeIdentityFile(identity, listing).content).toString('utf8');
const content = () => JSON.parse(text());
const read = (value: unknown) => readIdentityFile(Buffer.from(JSON.stringify(value)));

describe('the identity file', () => {
  it('is a readable file that reads back as it was made', () => {
    const file = makeIdentityFile(identity, listing);
    expect([file.path, file.secret]).toEqual(['cardwright.node', false]);
    expect(Object.keys(content())).toEqual([
      'format',
      ...Object.keys(identity),
      'files',
      'folders',
      'sha256',
    ]);
    expect(content()).toMatchObject({ format: 2, ...identity, ...listing });
    expect(text().endsWith('"\n}\n')).toBe(true);
    expect(readIdentityFile(file.content)).toEqual({ ok: true, identity, listing, isIntact: true });
    const unhashed = { ...identity, imageSha256: null };
    expect(readIdentityFile(makeIdentityFile(unhashed, listing).content)).toMatchObject({
      identity: unhashed,
    });
  });

  it('ends with the digest of its other lines, as coreutils gives it', () => {
    const command = 'head -n -2 | sha256sum';
    const output = execFileSync('sh', ['-c', command], { input: text(), encoding: 'utf8' });
    expect(content().sha256).toBe(output.slice(0, 64));
  });

  it('shows where a letter of it was changed', () => {
    for (const [from, to] of [
      ['orchard-01', 'orchard-02'],
      ['"sizeBytes": 3', '"sizeBytes": 4'],
      ['  "set"', ' "set"'],
      ['}\n', '} \n'],
    ] as const) {
      expect(readIdentityFile(Buffer.from(text().replace(from, to)))).toMatchObject({
        ok: true,
        isIntact: false,
      });
    }
    // The same content, written otherwise.
    expect(read(content())).toMatchObject({ ok: true, isIntact: false });
  });

  it('still reads format 1, which had neither list nor digest', () => {
    const old = { ok: true, identity, listing: null, isIntact: null };
    expect(read({ format: 1, ...identity })).toEqual(old);
  });

  it('is not made where it could not be read again', () => {
    const files = Array.from({ length: 2001 }, (_, at) => ({ ...listFile(abc, key), path: `files/${at}` }));
    expect(codeOf(() => makeIdentityFile(identity, { files, folders: [] }))).toBe('identity.file-unmakeable');
    const last = makeIdentityFile(identity, { files: files.slice(1), folders: [] });
    expect(readIdentityFile(last.content)).toMatchObject({ ok: true, isIntact: true });
  });

  it.each([
    ['nothing', '', /not JSON/],
    ['no JSON', 'orchard-01', /not JSON/],
    ['no UTF-8', Buffer.from([0x22, 0xff, 0x22]), /not JSON/],
    ['too much', ' '.repeat(2 ** 20 + 1), /larger than/],
  ])('refuses %s', (_title, bytes, reason) => {
    const result = readIdentityFile(Buffer.from(bytes));
    expect(result.ok ? 'taken' : result.reason).toMatch(reason);
  });

  it.each([
    ['a list', [], /as a whole|format/],
    ['null', null, /as a whole/],
    ['a newer format', { ...content(), format: 3 }, /format 3 is newer/],
    ['no format', { ...identity }, /format/],
    ['a format in words', { ...content(), format: '2' }, /format/],
    ['an unknown key', { ...content(), extra: 1 }, /as a whole|extra/],
    ['a list in format 1', { ...content(), format: 1 }, /as a whole/],
    ['a missing key', { ...content(), node: undefined }, /node/],
    ['a missing list', { ...content(), files: undefined }, /files/],
    ['a size that is none', { ...content(), files: [{ ...listing.files[0], sizeBytes: -1 }] }, /sizeBytes/],
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

describe('the list in it', () => {
  it('has the digest of what is no secret, and of a secret one that tells nothing without the key', () => {
    expect(listing.files).toMatchObject([
      { path: 'files/abc', sizeBytes: 3, sha256: sha256OfAbc, hmac: null },
      { path: 'user-data', sizeBytes: 5, sha256: null },
    ]);
    // HMAC (RFC 2104) by a program that is not ours.
    const output = execFileSync(
      'openssl',
      ['dgst', '-sha256', '-mac', 'HMAC', '-macopt', `hexkey:${key.toString('hex')}`],
      {
        input: 'user-data\0apple',
        encoding: 'utf8',
      },
    );
    expect(listing.files[1]?.hmac).toBe(output.trim().slice(-64));
    const otherKey = listFile(wifi, Buffer.alloc(32, 'other'));
    expect(otherKey.hmac).not.toBe(listing.files[1]?.hmac);
    expect(listFile({ ...wifi, path: 'meta-data' }, key).hmac).not.toBe(listing.files[1]?.hmac);
  });

  it.each([
    ['the same content', abc, 'abc', key, 'as-written'],
    ['another content', abc, 'abd', key, 'changed'],
    ['a longer content', abc, 'abcd', null, 'changed'],
    ['no file', abc, null, key, 'gone'],
    ['the same secret', wifi, 'apple', key, 'as-written'],
    ['another secret', wifi, 'grape', key, 'changed'],
    ['any secret of that length, without the key', wifi, 'grape', null, 'unproven'],
    ['a longer secret, without the key', wifi, 'cherry', null, 'changed'],
  ] as const)('tells of %s', (_title, file, now, withKey, state) => {
    expect(compareFile(listFile(file, key), now === null ? null : Buffer.from(now), withKey)).toBe(state);
  });
});
