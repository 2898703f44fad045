import { resolve } from 'node:path';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { askNewPlan, type Guesses } from '../../src/batch/plan/new/ask-new-plan.ts';
import { type NewPlan, usualGateway, whyNotAddresses } from '../../src/batch/plan/new/new-plan.ts';
import { writeNewPlan } from '../../src/batch/plan/new/write-new-plan.ts';
import { readPlan } from '../../src/batch/plan/read-plan.ts';

const folder = '/srv/orchard';
const key =
  'ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIJ0DIjzTNaVBqDQ3UGbnKPGAnqLgMCzuLkmnJHFqFTe5 grower@orchard\n';

/** Reads the text as the plan of a folder in which every file that it names is there. */
const read = async (text: string) => {
  const plan = `${folder}/orchard.yaml`;
  const content = (path: string) => Buffer.from(path === plan ? text : key);
  return readPlan(plan, {
    readFile: async (path) => content(path),
    stat: async (path) => ({ isFile: () => true, size: content(path).length, mode: 0o644 }),
  });
};

const guesses: Guesses = {
  folder,
  set: 'orchard',
  user: 'grower',
  image: `${folder}/node-os.img.xz`,
  key: '/home/grower/.ssh/id_ed25519.pub',
  isFile: async (path) => path.endsWith('.img') || path.endsWith('.xz'),
  whyNoKey: async (path) => (path.endsWith('.pub') ? null : 'this is no public key'),
};

async function askWith(answers: string[], more: Partial<Guesses> = {}) {
  const said: string[] = [];
  const left = [...answers];
  const asked: string[] = [];
  const ask = async (question: string) => {
    asked.push(question);
    return left.shift() ?? '';
  };
  const plan = await askNewPlan({ ask, say: (text) => said.push(text) }, { ...guesses, ...more });
  return { plan, said, asked, left };
}

describe('a new plan by questions', () => {
  it('takes Enter for all that the station can tell', async () => {
    const { plan, said, asked } = await askWith([]);
    expect(said).toEqual([]);
    expect(asked.every((question) => question.endsWith(': '))).toBe(true);
    expect(plan).toEqual({
      set: 'orchard',
      image: 'node-os.img.xz',
      user: 'grower',
      keys: ['/home/grower/.ssh/id_ed25519.pub'],
      stem: 'orchard',
      count: 4,
      firstAddress: null,
      gateway: null,
    });
  });

  it('asks again until an answer will do, and says why it did not', async () => {
    const { plan, said, left } = await askWith([
      'or/chard',
      'orchard',
      'none.zip',
      'images/node-os.img',
      'root',
      'grower',
      'keys/grower',
      'keys/grower.pub',
      'Node',
      'node',
      '0',
      '201',
      '1e1',
      '7',
      '192.0.2.11',
      '2001:db8::1/64',
      '192.0.2.250/24',
      '192.0.2.11/24',
      'router',
      '198.51.100.1',
      '192.0.2.17',
      '192.0.2.1',
    ]);
    expect(left).toEqual([]);
    expect(said).toHaveLength(14);
    for (const sentence of said) expect(sentence).toMatch(/^That will not do: .+[^.]\.$/);
    expect(plan).toMatchObject({
      image: 'images/node-os.img',
      keys: ['keys/grower.pub'],
      stem: 'node',
      count: 7,
      firstAddress: '192.0.2.11/24',
      gateway: '192.0.2.1',
    });
  });

  it('needs a key, and no image', async () => {
    const { plan, asked } = await askWith(['', '-', '', '', 'keys/grower.pub'], { key: null, image: null });
    expect(plan).toMatchObject({ image: null, keys: ['keys/grower.pub'] });
    expect(asked[1]).toContain('[-]');
  });
});

describe('a new plan as text', () => {
  const plan: NewPlan = {
    set: 'orchard',
    image: 'node-os.img.xz',
    user: 'grower',
    keys: ['keys/grower.pub'],
    stem: 'orchard',
    count: 3,
    firstAddress: '192.0.2.11/24',
    gateway: '192.0.2.1',
  };

  it('passes the check and says what was answered', async () => {
    const text = writeNewPlan(plan);
    const { plan: checked } = await read(text);
    expect(checked).toMatchObject({
      set: 'orchard',
      image: { file: resolve(folder, 'node-os.img.xz') },
      access: { user: 'grower', authorizedKeys: [key.trim()], passwordHash: null },
      hostKeys: 'create',
      network: { gateway: '192.0.2.1', nameservers: ['192.0.2.1'] },
      overwrite: 'ask',
    });
    expect(checked.nodes.map(({ name, slot, address }) => [name, slot, address])).toEqual([
      ['orchard-01', 'A1', '192.0.2.11/24'],
      ['orchard-02', 'A2', '192.0.2.12/24'],
      ['orchard-03', 'A3', '192.0.2.13/24'],
    ]);
    expect(Math.max(...text.split('\n').map((line) => line.length))).toBeLessThanOrEqual(120);
  });

  it('is a plan, too, with all of its commented lines taken in', async () => {
    const bare = writeNewPlan({ ...plan, image: null, firstAddress: null, gateway: null });
    const whole = bare.replace(/^# (\w+: [^\n]*)$/gm, (line, entry: string) =>
      /^(image|network|system|hostKeyFolder): /.test(entry) ? entry : line,
    );
    expect(whole).not.toBe(bare);
    const { plan: checked } = await read(whole);
    expect(checked).toMatchObject({
      system: { timezone: 'Europe/Madrid' },
      network: { gateway: '192.0.2.1' },
    });
  });

  it('passes the check whatever the files are called', async () => {
    const name = fc
      .string({ unit: 'grapheme', minLength: 1, maxLength: 30 })
      .filter((text) => !/[\p{Cc}\p{Cs}]/u.test(text) && text.trim() === text && text !== '-');
    await fc.assert(
      fc.asyncProperty(name, name, async (image, keyFile) => {
        const { plan: checked } = await read(writeNewPlan({ ...plan, image, keys: [`./${keyFile}.pub`] }));
        expect(checked.image?.file).toBe(resolve(folder, image));
      }),
      { numRuns: 200 },
    );
  });

  it('counts addresses up inside one network', () => {
    expect(whyNotAddresses('192.0.2.251/24', 4)).toBeNull();
    expect(whyNotAddresses('192.0.2.251/24', 5)).toContain('no room');
    expect(whyNotAddresses('192.0.2.254/23', 4)).toBeNull();
    expect(usualGateway('192.0.2.140/25')).toBe('192.0.2.129');
  });
});
