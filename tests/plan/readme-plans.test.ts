/** The plans of the README, read as anybody's plan is, and held against the schema: nothing undocumented, nothing else. */
import { readFileSync } from 'node:fs';
import { memfs } from 'memfs';
import { describe, expect, it } from 'vitest';
import { parse } from 'yaml';
import type { PlanFiles } from '../../src/batch/plan/plan-files.ts';
import { planJsonSchema } from '../../src/batch/plan/plan-schema.ts';
import { readPlan } from '../../src/batch/plan/read-plan.ts';
import { growerKey } from './sample.ts';

const readme = readFileSync(new URL('../../README.md', import.meta.url), 'utf8');
const plans = [...readme.matchAll(/```yaml\n(plan: 1\n[\s\S]*?)```/g)].map(([, text = '']) => text);
const folder = '/orchard';

const { fs } = memfs(
  {
    'node-os.img.xz': 'x',
    'images/node-os.img.xz': 'x',
    'images/SHA256SUMS': 'x',
    'images/SHA256SUMS.sig': 'x',
    'keys/image-makers.gpg': 'x',
    'keys/grower.pub': `${growerKey}\n`,
    'keys/wifi-phrase': 'a ripe one falls by itself\n',
    'files/extra.txt': 'x',
    'files/field.map': 'x',
    'files/gate.conf': 'row={{ node.variables.row }}\n',
  },
  folder,
);
fs.chmodSync(`${folder}/keys/wifi-phrase`, 0o600);

interface Schema {
  properties?: Record<string, Schema>;
  items?: Schema;
}

/** Every key that the schema has or a document uses, with its way from the top; names that people choose are no keys. */
function keysOfSchema({ properties = {}, items }: Schema, at = ''): string[] {
  const own = Object.entries(properties).flatMap(([key, inner]) => [
    `${at}${key}`,
    ...keysOfSchema(inner, `${at}${key}.`),
  ]);
  return items ? [...own, ...keysOfSchema(items, at)] : own;
}
function keysOfText(value: unknown, known: ReadonlySet<string>, at = ''): string[] {
  if (Array.isArray(value)) return value.flatMap((item) => keysOfText(item, known, at));
  if (typeof value !== 'object' || value === null) return [];
  return Object.entries(value).flatMap(([key, inner]) =>
    known.has(`${at}${key}`) ? [`${at}${key}`, ...keysOfText(inner, known, `${at}${key}.`)] : [],
  );
}

describe('the plans of the README', () => {
  it.each(plans.map((text) => [text.split('\n').length, text]))('are in order: %i lines', async (_, text) => {
    const path = `${folder}/plan.yaml`;
    fs.writeFileSync(path, text as string);
    const { plan } = await readPlan(path, fs.promises as unknown as PlanFiles);
    expect(plan.set).toBe('orchard');
  });

  it('show every key that a plan may have, for the set or for a node, in place of which it may stand for the other', () => {
    const known = new Set(keysOfSchema(planJsonSchema() as Schema));
    const used = new Set(plans.flatMap((text) => keysOfText(parse(text), known)));
    const either = /^(nodes\.)?(?=(files|templates|boot|firstBoot)\b)/;
    const missing = [...known].filter((key) => {
      const bare = key.replace(either, '');
      return !used.has(key) && !(either.test(key) && (used.has(bare) || used.has(`nodes.${bare}`)));
    });
    // One way of several to say the same; the comments beside name them.
    expect(missing).toEqual(['image.sha256', 'network.wifi.key']);
    expect(readme).toMatch(/# or sha256:/);
    expect(readme).toMatch(/or key: what/);
  });
});
