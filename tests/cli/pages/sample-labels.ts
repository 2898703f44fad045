import type { LabelFacts } from '../../../src/batch/labels/label-facts.ts';

/** A label as most are. The fingerprint has the form of one and is invented. */
export function orchardLabel(at: number, other: Partial<LabelFacts> = {}): LabelFacts {
  const digest = Buffer.alloc(32, at * 37)
    .toString('base64')
    .slice(0, 43);
  return {
    node: `orchard-${String(at).padStart(2, '0')}`,
    slot: `A${at}`,
    set: 'orchard',
    address: `192.0.2.${10 + at}`,
    made: { recordId: 12 + at, atMs: Date.UTC(2026, 10, 26, 12) },
    fingerprint: `SHA256:${digest}`,
    remarks: [],
    ...other,
  };
}

/** Labels with what is hard to print: the longest that a plan lets through, and signs that mean something in HTML. */
export const hardLabels: LabelFacts[] = [
  orchardLabel(1, { made: null, fingerprint: null }),
  orchardLabel(2, { address: null, slot: null }),
  orchardLabel(3, {
    node: 'orchard-sensor-gateway-by-the-old-mill-north-03',
    address: '2001:db8:85a3:1234:5678:8a2e:370:7334',
    set: 'orchard-north-of-the-river-and-beyond-the-hill',
    slot: 'cabinet by the old mill, second shelf',
  }),
  orchardLabel(4, {
    node: 'a'.repeat(63),
    slot: 'W'.repeat(64),
    set: 'W'.repeat(63),
    address: '2001:0db8:85a3:1234:5678:8a2e:0370:7334',
  }),
  orchardLabel(5, { slot: `<b>&"'` }),
  orchardLabel(6, { slot: '上の棚・左から二番目' }),
  orchardLabel(7, { slot: null, address: null, made: null, fingerprint: null }),
];
