import { describe, expect, it } from 'vitest';
import { nearestWord } from '../../src/batch/plan/nearest-word.ts';
import { selectNode } from '../../src/batch/plan/select-node.ts';
import { goodPlan, read } from './sample.ts';

describe('choosing a node', () => {
  it('gives the node of that name, and else lists the names', async () => {
    const plan = await read(goodPlan);
    expect(selectNode(plan, 'orchard-02')).toBe(plan.nodes[1]);
    expect(() => selectNode(plan, 'orchard-2')).toThrow(
      'There is no node orchard-2 in /orchard/orchard.yaml (did you mean orchard-02?).',
    );
    expect(() => selectNode(plan, 'barn')).toThrow(
      expect.objectContaining({
        code: 'plan.no-such-node',
        exitStatus: 2,
        next: 'Name one of these: orchard-01, orchard-02.',
      }),
    );
  });
});

describe('the nearest word', () => {
  const keys = ['name', 'slot', 'role', 'address', 'files', 'authorizedKeys', 'nameservers'];

  it.each([
    ['nmae', 'name'],
    ['Name', 'name'],
    ['nam', 'name'],
    ['adress', 'address'],
    ['addresses', 'address'],
    ['authorized_keys', 'authorizedKeys'],
    ['authorised-keys', 'authorizedKeys'],
    ['nameserver', 'nameservers'],
    ['slots', 'slot'],
  ])('%s stands for %s', (word, expected) => {
    expect(nearestWord(word, keys)).toBe(expected);
  });

  it.each(['', 'gateway', 'x', 'colour', 'x'.repeat(1000), '-_-'])('nothing is near to "%s"', (word) => {
    expect(nearestWord(word, keys)).toBeNull();
  });
});
