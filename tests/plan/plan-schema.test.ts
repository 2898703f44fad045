import { spawnSync } from 'node:child_process';
import { describe, expect, it } from 'vitest';
import { parse } from 'yaml';
import { planJsonSchema } from '../../src/batch/plan/plan-schema.ts';
import { describeWith } from '../lab/capabilities.ts';
import { changed, goodPlan } from './sample.ts';

/** The example of the layout, as it stands in the design. */
const example = `
plan: 1
set: orchard
image: { file: images/node-os.img.xz, sha256: x }
access: { user: grower, authorizedKeys: [keys/grower.pub], passwordHash: x }
hostKeys: create
network: { gateway: 192.0.2.1, nameservers: [192.0.2.1] }
unmount: ask
overwrite: any
nodes:
  - { name: orchard-01, slot: "A1", address: 192.0.2.11/24 }
  - { name: orchard-02, slot: "A2", role: gate, files: { extra.txt: files/extra.txt } }
`;

const script = `
import json, sys
from jsonschema import Draft202012Validator as V
schema, plans = json.load(sys.stdin)
V.check_schema(schema)
print(json.dumps([V(schema).is_valid(plan) for plan in plans]))
`;

const hasJsonschema =
  spawnSync('/usr/bin/python3', ['-c', 'from jsonschema import Draft202012Validator']).status === 0;

describeWith(
  hasJsonschema ? [] : ['program:python3-jsonschema'],
  'the schema for editors, held against the validator of Debian’s python3-jsonschema',
  () => {
    it('takes good plans and refuses wrong ones', () => {
      const good = [goodPlan, example];
      const wrong = [
        changed('plan: 1', 'plan: 2'),
        changed('set: orchard\n', ''),
        changed('set:', 'sett: x\nset:'),
        changed('slot: "A1"', 'slot: 1'),
        changed('slot:', 'solt:'),
        changed(/nodes:[\s\S]*/, 'nodes: []'),
        changed('set:', 'hostKeys: keep\nset:'),
        changed('[keys/grower.pub]', 'keys/grower.pub'),
        changed('user: grower, ', ''),
      ];
      const { stdout, stderr } = spawnSync('/usr/bin/python3', ['-c', script], {
        input: JSON.stringify([planJsonSchema(), [...good, ...wrong].map((text) => parse(text))]),
        encoding: 'utf8',
      });
      expect(stderr).toBe('');
      expect(JSON.parse(stdout)).toEqual([...good.map(() => true), ...wrong.map(() => false)]);
    });
  },
);

describe('the schema for editors', () => {
  it('says what every key is for', () => {
    const without: string[] = [];
    const look = (schema: Record<string, unknown>, path: string) => {
      const properties = (schema.properties ?? {}) as Record<string, Record<string, unknown>>;
      for (const [key, part] of Object.entries(properties)) {
        if (typeof part.description !== 'string') without.push(`${path}${key}`);
        look(part, `${path}${key}.`);
      }
      if (typeof schema.items === 'object' && schema.items !== null) {
        look(schema.items as Record<string, unknown>, `${path}*.`);
      }
    };
    look(planJsonSchema(), '');
    expect(without).toEqual([]);
  });
});
