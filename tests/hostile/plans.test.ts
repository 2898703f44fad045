import fc from 'fast-check';
import { afterAll, describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { describeFinding } from '../../src/contract/finding.ts';
import { goodPlan, read } from '../plan/sample.ts';
import { fuzzed, fuzzTimeoutMs, InputCount } from './fuzz.ts';
import { bombs, longWords, mutated, yamlish } from './yaml-texts.ts';

const inputs = new InputCount();
afterAll(() => inputs.record('plans'));

/** Reads it; anything but a plan or a CardwrightError fails. Gives what a person would be shown. */
async function outcome(text: string | Uint8Array): Promise<string[]> {
  const answer = await inputs.orderly(() => read(text));
  if (!(answer instanceof CardwrightError)) return ['read'];
  for (const found of answer.findings) {
    expect(Number(found.facts.line)).toBeGreaterThanOrEqual(1);
    expect(Number(found.facts.column)).toBeGreaterThanOrEqual(1);
  }
  return [answer.code, answer.message, ...answer.findings.map((f) => `${f.code} ${describeFinding(f)}`)];
}

const words = [
  ...['plan: 1\n', 'set: orchard\n', 'nodes:', 'name: orchard-01', 'access: ', 'files: ', 'authorizedKeys: '],
];

describe('a plan of any content', { timeout: fuzzTimeoutMs }, () => {
  it('made of pieces of YAML gives a plan or a named mistake', async () => {
    await fc.assert(
      fc.asyncProperty(yamlish(words), async (text) => {
        await outcome(text);
      }),
      fuzzed(200),
    );
  });

  it('that was a good one gives a plan or a named mistake', async () => {
    await fc.assert(
      fc.asyncProperty(mutated(goodPlan), async (text) => {
        await outcome(text);
      }),
      fuzzed(200),
    );
  });

  it('of bytes gives a named mistake', async () => {
    await fc.assert(
      fc.asyncProperty(fc.uint8Array({ maxLength: 300 }), async (bytes) => {
        expect((await outcome(bytes))[0]).not.toBe('read');
      }),
      fuzzed(100),
    );
  });

  it('of the right shape with any values gives a plan or a named mistake', async () => {
    const any = fc.jsonValue({ maxDepth: 3 });
    const shape = fc.record(
      {
        plan: fc.constant(1),
        set: fc.oneof(fc.constant('orchard'), any),
        image: fc.oneof(
          fc.record({ file: fc.string(), sha256: fc.string(), sums: any }, { requiredKeys: [] }),
          any,
        ),
        access: fc.oneof(
          fc.record({ user: any, authorizedKeys: fc.array(fc.string()), passwordHash: any }),
          any,
        ),
        network: fc.oneof(
          fc.record({ gateway: fc.ipV4(), nameservers: fc.array(fc.oneof(fc.ipV6(), any)) }),
          any,
        ),
        nodes: fc.array(
          fc.record(
            {
              name: fc.oneof(fc.constantFrom('orchard-01', 'orchard-02'), any),
              address: fc.oneof(
                fc.tuple(fc.ipV4(), fc.nat(40)).map((parts) => parts.join('/')),
                fc.ipV6(),
                any,
              ),
              files: fc.oneof(fc.dictionary(fc.string(), fc.string()), any),
              slot: any,
            },
            { requiredKeys: [] },
          ),
        ),
      },
      { requiredKeys: [] },
    );
    await fc.assert(
      fc.asyncProperty(shape, async (value) => {
        await outcome(JSON.stringify(value));
      }),
      fuzzed(200),
    );
  });
});

const largestBytes = 2 ** 20;

describe('a plan made to keep the program busy', { timeout: fuzzTimeoutMs }, () => {
  it.each(bombs(largestBytes))('is refused within seconds: %s', async (_title, text, expected) => {
    const told = await outcome(text);
    expect(
      told.filter((one) => /^plan\.(too-complex|not-yaml) /.test(one) && one.includes(expected)),
    ).toHaveLength(1);
  });

  it.each(longWords(largestBytes))('is read to its end within seconds: %s', async (_title, text) => {
    expect((await outcome(text))[0]).toBe('plan.mistakes');
  });

  it('is not confused with a large one: a thousand nodes read within seconds', async () => {
    const nodes = Array.from(
      { length: 1000 },
      (_, at) =>
        `  - { name: orchard-${at}, slot: "S${at}", role: gate, address: 10.1.${at >> 8}.${at & 255}/16 }`,
    );
    const text = goodPlan.replace(/network[\s\S]*/, `nodes:\n${nodes.slice(1).join('\n')}\n`);
    expect((await read(text)).nodes).toHaveLength(999);
  });
});
