import { createHmac } from 'node:crypto';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { CardIdentity } from '../../src/contract/devices.ts';
import { approvalAlphabet, approvalCode, encodeApproval } from '../../src/guard/approval/approval-code.ts';

const key = Uint8Array.from({ length: 32 }, (_, at) => at);
const card: CardIdentity = {
  node: '/dev/sdb',
  majorMinor: '8:16',
  port: 'usb:1-2',
  lun: 0,
  vendor: 'ORCHARD',
  model: 'STORAGE DEVICE',
  serial: '20120501030900000',
  cid: null,
  sizeBytes: 31_914_983_424,
  diskseq: 17,
};
// SHA-256("") and SHA-256("abc"): FIPS 180-4 examples.
const content = {
  headDigest: 'e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855',
  tailDigest: 'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad',
};

/** The encoding written out by hand: a presence byte, a big-endian length, the bytes. */
const encodedByHand = [
  `01 00000015 ${Buffer.from('cardwright approval 1').toString('hex')}`,
  `01 00000007 ${Buffer.from('usb:1-2').toString('hex')}`,
  '01 00000001 30',
  '01 00000011 3230313230353031303330393030303030',
  '00',
  '01 0000000b 3331393134393833343234',
  '01 00000002 3137',
  `01 00000040 ${Buffer.from(content.headDigest).toString('hex')}`,
  `01 00000040 ${Buffer.from(content.tailDigest).toString('hex')}`,
]
  .join('')
  .replaceAll(' ', '');

describe('the approval code', () => {
  it('is computed over the encoding written out here by hand', () => {
    expect(Buffer.from(encodeApproval(card, content)).toString('hex')).toBe(encodedByHand);
  });

  it('is HMAC-SHA-256 (RFC 2104) of that, as four digits to the base of the alphabet', () => {
    const mac = createHmac('sha256', key).update(Buffer.from(encodedByHand, 'hex')).digest('hex');
    let rest = BigInt(`0x${mac.slice(0, 16)}`) % 26n ** 4n;
    const digits: string[] = [];
    for (const place of [26n ** 3n, 26n ** 2n, 26n, 1n]) {
      digits.push('23456789ACDEFHJKMNPQRTVWXY'[Number(rest / place)]!);
      rest %= place;
    }
    expect(approvalCode(key, card, content)).toBe(digits.join(''));
  });

  const changed: [string, Partial<CardIdentity>, Partial<typeof content>][] = [
    ['port', { port: 'usb:1-3' }, {}],
    ['absent port', { port: null }, {}],
    ['LUN', { lun: 1 }, {}],
    ['absent LUN', { lun: null }, {}],
    ['serial', { serial: '20120501030900001' }, {}],
    ['absent serial', { serial: null }, {}],
    ['CID', { cid: '0f0e0d0c0b0a09080706050403020100' }, {}],
    ['size', { sizeBytes: card.sizeBytes + 512 }, {}],
    ['diskseq', { diskseq: 18 }, {}],
    ['absent diskseq', { diskseq: null }, {}],
    ['head', {}, { headDigest: content.tailDigest }],
    ['tail', {}, { tailDigest: content.headDigest }],
  ];
  it.each(changed)('changes with the %s', (_title, identity, digests) => {
    const other = approvalCode(key, { ...card, ...identity }, { ...content, ...digests });
    expect(other).not.toBe(approvalCode(key, card, content));
  });

  it('changes with the station’s key', () => {
    expect(approvalCode(key.toReversed(), card, content)).not.toBe(approvalCode(key, card, content));
  });

  it('does not change with the name the disk happens to have, or with what it calls itself', () => {
    const renamed = { ...card, node: '/dev/sdc', majorMinor: '8:32', vendor: 'X', model: null };
    expect(approvalCode(key, renamed, content)).toBe(approvalCode(key, card, content));
  });

  it('has four characters of an alphabet in which none looks like another', () => {
    expect(new Set(approvalAlphabet).size).toBe(approvalAlphabet.length);
    for (const alike of ['0O', '1IL', '2Z', '5S', '6G', '8B', 'UV']) {
      expect([...alike].filter((c) => approvalAlphabet.includes(c)).length).toBeLessThanOrEqual(1);
    }
    fc.assert(
      fc.property(fc.uint8Array({ minLength: 32, maxLength: 32 }), fc.nat(), (anyKey, diskseq) => {
        const code = approvalCode(anyKey, { ...card, diskseq }, content);
        expect(code).toHaveLength(4);
        expect([...code].every((c) => approvalAlphabet.includes(c))).toBe(true);
      }),
    );
  });

  it('uses every character in every place', () => {
    const codes = Array.from({ length: 2000 }, (_, diskseq) =>
      approvalCode(key, { ...card, diskseq }, content),
    );
    for (const place of [0, 1, 2, 3]) {
      expect(new Set(codes.map((code) => code[place])).size).toBe(approvalAlphabet.length);
    }
    // 2000 of 456,976 values: about 4 pairs meet by chance (birthday bound), never dozens.
    expect(new Set(codes).size).toBeGreaterThan(1980);
  });

  it('has one encoding for each card: no two differ only in where a field ends', () => {
    const text = fc.option(fc.string({ unit: 'binary', maxLength: 6 }));
    const number = fc.option(fc.nat(30));
    const identity = fc.record({
      port: text,
      lun: number,
      serial: text,
      cid: text,
      sizeBytes: fc.nat(30),
      diskseq: number,
    });
    const digests = fc.record({
      headDigest: fc.string({ maxLength: 2 }),
      tailDigest: fc.string({ maxLength: 2 }),
    });
    const encode = ([id, own]: [typeof identity extends fc.Arbitrary<infer T> ? T : never, typeof content]) =>
      Buffer.from(encodeApproval({ ...card, ...id }, own)).toString('hex');
    fc.assert(
      fc.property(fc.tuple(identity, digests), fc.tuple(identity, digests), (a, b) => {
        expect(encode(a) === encode(b)).toBe(JSON.stringify(a) === JSON.stringify(b));
      }),
      { numRuns: 1000 },
    );
    // The cases that plain joining gets wrong.
    const twins: Partial<CardIdentity>[][] = [
      [
        { port: 'ab', serial: 'c' },
        { port: 'a', serial: 'bc' },
      ],
      [{ port: null }, { port: '' }],
      [
        { serial: 'x', cid: null },
        { serial: null, cid: 'x' },
      ],
      [
        { serial: 'x', cid: '' },
        { serial: 'x', cid: null },
      ],
      [
        { sizeBytes: 11, diskseq: 1 },
        { sizeBytes: 1, diskseq: 11 },
      ],
    ];
    for (const [a, b] of twins) {
      const own = content;
      expect(encodeApproval({ ...card, ...a }, own)).not.toEqual(encodeApproval({ ...card, ...b }, own));
    }
  });
});
