import fc from 'fast-check';
import { afterAll, describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { describeFinding } from '../../src/contract/finding.ts';
import { parsePolicy } from '../../src/guard/policy/parse-policy.ts';
import { fuzzed, fuzzTimeoutMs, InputCount } from './fuzz.ts';
import { bombs, longWords, mutated, shaped, yamlish } from './yaml-texts.ts';

const goodPolicy = `maxSizeBytes: 64 GiB
transports: [usb, memstick]
allowDevices: [/dev/disk/by-id/usb-ORCHARD_READER-0:1, "01234567890123456789012345678901"]
unmountBelow: [/media, /srv/cards]
imageFolders: [/srv/images]
groups: { growers: write, 7: read }
`;
const keys = [
  'maxSizeBytes',
  'transports',
  'allowDevices',
  'unmountBelow',
  'imageFolders',
  'bootModeIds',
  'groups',
  'other',
];

const inputs = new InputCount();
afterAll(() => inputs.record('policies'));

/** What a person would be told; empty where it is a policy. */
async function told(text: string | Uint8Array): Promise<string[]> {
  const answer = await inputs.orderly(() => parsePolicy(Buffer.from(text as string), 'p.yaml'));
  if (!(answer instanceof CardwrightError)) {
    // whatever it was made of, it allows cards of known kinds, whole disks by name, and folders outside the system
    expect(Number.isSafeInteger(answer.maxSizeBytes) && answer.maxSizeBytes > 0).toBe(true);
    expect(answer.transports.every((kind) => ['usb', 'mmc-sd', 'memstick'].includes(kind))).toBe(true);
    expect(
      answer.allowDevices.every((name) => /^\/dev\/(disk\/by-id\/|loop)|^[\dA-Fa-f]{32}$/.test(name)),
    ).toBe(true);
    expect([...answer.unmountBelow, ...answer.imageFolders].every((folder) => /^\/./.test(folder))).toBe(
      true,
    );
    return [];
  }
  expect(answer.code).toBe('guard.policy-mistakes');
  return answer.findings.map(describeFinding);
}

describe('a policy of any content', { timeout: fuzzTimeoutMs }, () => {
  it('made of pieces of YAML', async () => {
    const words = keys.map((key) => `${key}: `);
    await fc.assert(
      fc.asyncProperty(yamlish(words), async (text) => void (await told(text))),
      fuzzed(200),
    );
  });

  it('that was a good one', async () => {
    expect(await told(goodPolicy)).toEqual([]);
    await fc.assert(
      fc.asyncProperty(mutated(goodPolicy), async (text) => void (await told(text))),
      fuzzed(300),
    );
  });

  it('of the right keys with any values', async () => {
    await fc.assert(
      fc.asyncProperty(shaped(keys), async (text) => void (await told(text))),
      fuzzed(300),
    );
  });

  it.each(['? [a]\n: 1', '? !!binary aGk=\n: 1', '*a : 1', '__proto__: 1'])(
    'with a key that is no word: %j',
    async (text) => {
      expect((await told(text)).join('\n')).toContain('a key is a plain word');
    },
  );

  it('of bytes', async () => {
    const bytes = fc.uint8Array({ minLength: 1, maxLength: 300 });
    await fc.assert(
      fc.asyncProperty(bytes, async (some) => void (await told(some))),
      fuzzed(200),
    );
  });
});

describe('a policy made to keep the program busy', { timeout: fuzzTimeoutMs }, () => {
  it.each(bombs(2 ** 18))('is refused within seconds: %s', async (title, text, why) => {
    const expected = title.includes('alias') ? 'no aliases' : why;
    expect((await told(text)).join('\n')).toContain(title === 'aliases' ? why : expected);
  });

  it.each(longWords(2 ** 22))('is not even looked at where it has megabytes: %s', async (_title, text) => {
    expect((await told(text)).join('\n')).toContain('larger than 256 KiB');
  });

  it.each(longWords(2 ** 18))('is read to its end within seconds: %s', async (title, text) => {
    // nothing but blanks says nothing
    expect(await told(text)).toHaveLength(title.includes('tabs') ? 0 : 1);
  });

  it('is not confused with a long one: a thousand serial numbers', async () => {
    const serials = Array.from({ length: 1000 }, (_, at) => `  - "${String(at).padStart(32, '0')}"\n`).join(
      '',
    );
    expect(await told(`allowDevices:\n${serials}`)).toEqual([]);
  });
});
