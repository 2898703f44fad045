import { describe, expect, it } from 'vitest';
import { labelCode } from '../../src/batch/labels/label-code.ts';
import { type LabelRecord, labelFacts } from '../../src/batch/labels/label-facts.ts';
import type { Plan } from '../../src/contract/plan.ts';
import { goodPlan, read } from '../plan/sample.ts';

const fingerprint = 'SHA256:bbXpuKG6zhzdmnxq256TlqzFBzRl2f6OOg722cYNbU8';

const record = (id: number, other: Partial<LabelRecord> = {}): LabelRecord => ({
  id,
  set: 'orchard',
  node: 'orchard-01',
  state: 'done',
  begunAtMs: 1000 * id,
  endedAtMs: 1000 * id + 500,
  identity: {
    hostNames: ['orchard-01', '192.0.2.11'],
    hostKeys: [{ publicKey: 'ssh-ed25519 AAAA', fingerprint }],
    identityFileSha256: null,
  },
  ...other,
});

const factsOf = (plan: Plan, records: LabelRecord[]) => labelFacts(plan, records)[0];

describe('the facts of a label', () => {
  it('come from the plan and the last card that was finished', async () => {
    const plan = await read(goodPlan);
    expect(plan.nodes[0]?.name).toBe('orchard-01');
    expect(factsOf(plan, [record(3), record(9), record(5)])).toEqual({
      node: 'orchard-01',
      slot: plan.nodes[0]?.slot,
      set: 'orchard',
      address: '192.0.2.11',
      made: { recordId: 9, atMs: 9500 },
      fingerprint,
      remarks: [],
    });
  });

  it('are of no other set, no other node and no unfinished card', async () => {
    const plan = await read(goodPlan);
    const others = [
      record(1, { set: 'school' }),
      record(2, { node: 'orchard-99' }),
      record(3, { state: 'failed' }),
      record(4, { state: 'unconfirmed' }),
    ];
    expect(factsOf(plan, others)).toMatchObject({ made: null, fingerprint: null, remarks: [] });
  });

  it('tell of a card with another address than the plan has now, and of a later try', async () => {
    const plan = await read(goodPlan);
    const moved = record(4, { identity: { ...record(4).identity, hostNames: ['orchard-01', '192.0.2.99'] } });
    expect(factsOf(plan, [moved, record(6, { state: 'failed' })])?.remarks).toEqual([
      'orchard-01 has the address 192.0.2.11 in the plan, but its card (record 4) was made with another one.',
      'orchard-01 was tried again as record 6, which was not finished; its label names record 4.',
    ]);
  });

  it('become name, address and fingerprint in the code, those that are known', () => {
    const facts = { node: 'orchard-01', slot: null, set: 'orchard', made: null, remarks: [] };
    expect(labelCode({ ...facts, address: '192.0.2.11', fingerprint })).toBe(
      `orchard-01\n192.0.2.11\n${fingerprint}`,
    );
    expect(labelCode({ ...facts, address: null, fingerprint: null })).toBe('orchard-01');
  });
});
