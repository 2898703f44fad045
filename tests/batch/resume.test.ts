import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { chooseNodes, nextNode } from '../../src/batch/bench/choose-node.ts';
import { changedAreas, digestSettings } from '../../src/batch/bench/node-settings.ts';
import { doneNodes, maybeComplete } from '../../src/batch/bench/settled-nodes.ts';
import { readPlan } from '../../src/batch/plan/read-plan.ts';
import type { Plan, PlanNode } from '../../src/contract/plan.ts';
import { materialsOnDisk } from '../../src/job/station/materials-on-disk.ts';
import type { RecordView } from '../../src/records/record-types.ts';

type Told = Pick<RecordView, 'id' | 'node' | 'set' | 'state' | 'cardId' | 'cardState'>;
const told = (id: number, node: string, more: Partial<Told> = {}): Told => ({
  id,
  node,
  set: 'orchard',
  state: 'done',
  cardId: id,
  cardState: 'done',
  ...more,
});

describe('which nodes are done', () => {
  it('is the newest done record of each, of this set alone', () => {
    const records = [
      told(1, 'orchard-01'),
      told(2, 'orchard-02', { state: 'failed', cardState: 'unbootable' }),
      told(3, 'orchard-01'),
      told(4, 'row-1', { set: 'vineyard' }),
    ];
    expect(doneNodes(records, 'orchard')).toEqual(new Map([['orchard-01', 3]]));
  });

  it('forgets a node whose card was written to since, for another node or another set', () => {
    const first = told(1, 'orchard-01', { cardId: 7 });
    const second = told(2, 'row-1', { set: 'vineyard', cardId: 7, state: 'failed', cardState: 'unbootable' });
    expect(doneNodes([first, second], 'orchard').size).toBe(0);
    expect(doneNodes([first, { ...second, cardState: 'untouched' }], 'orchard').size).toBe(1);
    const unknown = { ...second, cardId: null };
    expect(doneNodes([{ ...first, cardId: null }, unknown], 'orchard').size).toBe(1);
  });

  it('leaves what was cut off during the seal to a verify', () => {
    const records = [told(1, 'orchard-01', { state: 'unconfirmed' }), told(2, 'orchard-02')];
    const done = doneNodes(records, 'orchard');
    expect(maybeComplete(records, 'orchard', done)).toEqual([{ node: 'orchard-01', record: 1 }]);
  });
});

const planText = (address: string, message: string) => `plan: 1
set: orchard
access: { user: grower, authorizedKeys: [grower.pub] }
network: { gateway: 192.0.2.1 }
nodes:
  - { name: orchard-01, slot: A1, address: ${address}, files: { motd.txt: ${message} } }
  - { name: orchard-02, slot: A2 }
`;

async function withPlan(text: string, body: (plan: Plan, first: PlanNode) => void): Promise<void> {
  const folder = mkdtempSync(join(tmpdir(), 'batch-plan-'));
  try {
    const key = 'ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAINdamAGCsQq31Uv+08lkBzoO4XLz2qYjJa8CGmj3B1Ea grower\n';
    writeFileSync(join(folder, 'grower.pub'), key);
    writeFileSync(join(folder, 'a.txt'), 'apples\n');
    writeFileSync(join(folder, 'b.txt'), 'pears\n');
    writeFileSync(join(folder, 'plan.yaml'), text);
    const { plan } = await readPlan(join(folder, 'plan.yaml'));
    const [first] = plan.nodes;
    if (!first) throw new Error('no node');
    body(plan, first);
  } finally {
    rmSync(folder, { recursive: true });
  }
}

const image = { path: '/srv/node-os.img', packedSha256: null, packedBytes: 10, sizeBytes: 10 };
const key = new Uint8Array(32).fill(5);

describe('a plan that changed since a node was made', () => {
  it('is told by area, and an unchanged one is not', async () => {
    let before = {};
    await withPlan(planText('192.0.2.11/24', 'a.txt'), (plan, node) => {
      before = digestSettings(key, { plan, node, materials: materialsOnDisk }, image);
    });
    await withPlan(planText('192.0.2.11/24', 'a.txt'), (plan, node) => {
      expect(
        changedAreas(before, digestSettings(key, { plan, node, materials: materialsOnDisk }, image)),
      ).toEqual([]);
      expect(
        changedAreas(
          before,
          digestSettings(key, { plan, node, materials: materialsOnDisk }, { ...image, sizeBytes: 11 }),
        ),
      ).toEqual(['image']);
      expect(
        changedAreas(null, digestSettings(key, { plan, node, materials: materialsOnDisk }, image)),
      ).toEqual([]);
      // Another station's key: nothing can be compared, and nothing be guessed.
      const other = digestSettings(new Uint8Array(32), { plan, node, materials: materialsOnDisk }, image);
      expect(Object.keys(other).every((area) => other[area] !== (before as typeof other)[area])).toBe(true);
    });
    await withPlan(planText('192.0.2.99/24', 'b.txt'), (plan, node) => {
      expect(
        changedAreas(before, digestSettings(key, { plan, node, materials: materialsOnDisk }, image)),
      ).toEqual(['network', 'files']);
    });
  });
});

describe('who is next', () => {
  it('is the first node in the plan’s order that nobody works on', () => {
    const nodes = ['taken', 'done', 'waiting', 'waiting'].map((state, at) => ({
      name: `orchard-0${at + 1}`,
      slot: null,
      state: state as 'waiting',
    }));
    expect(nextNode(nodes)?.name).toBe('orchard-03');
    expect(nextNode(nodes.slice(0, 2))).toBeNull();
  });

  it('leaves out what is done, and takes what is named', () =>
    withPlan(planText('192.0.2.11/24', 'a.txt'), (plan) => {
      const names = (done: string[], only: string[], again: string[]) =>
        chooseNodes(plan, new Map(done.map((name) => [name, 1])), { only, again }).map(({ name }) => name);
      expect(names([], [], [])).toEqual(['orchard-01', 'orchard-02']);
      expect(names(['orchard-01'], [], [])).toEqual(['orchard-02']);
      expect(names([], ['orchard-02'], [])).toEqual(['orchard-02']);
      expect(names(['orchard-01', 'orchard-02'], [], ['orchard-02'])).toEqual(['orchard-02']);
      expect(names([], [], ['orchard-02'])).toEqual(['orchard-02']);
      expect(() => names(['orchard-01', 'orchard-02'], [], [])).toThrow(/done already \(2\)/);
      expect(() => names([], ['orchard-9'], [])).toThrow(/orchard-9/);
    }));
});
