import { describe, expect, it } from 'vitest';
import { classifyRoll, type NodeQuestion } from '../../src/batch/roll-call/classify.ts';
import type { KeyOwner, KnownKeys } from '../../src/batch/roll-call/known-keys.ts';
import type { Meeting, Sighting } from '../../src/batch/roll-call/meeting.ts';

/** Keys by short names: "2e" is the Ed25519 key made for orchard-02, "2r" its RSA key; "x…" nobody made. */
const typeOf = (key: string) => (key.endsWith('r') ? 'ssh-rsa' : 'ssh-ed25519');
const keys = (...names: string[]): Meeting => ({
  kind: 'keys',
  keys: names.map((name) => ({ type: typeOf(name), fingerprint: name })),
});

function knownFor(made: Record<string, string[]>, more: [string, KeyOwner][] = []): KnownKeys {
  const owners = Object.entries(made).flatMap(([node, all]) =>
    all.map((key): [string, KeyOwner] => [key, { set: 'orchard', node, record: 1, isLatest: true }]),
  );
  const nodes = Object.entries(made).map(
    ([node, all]) =>
      [
        node,
        {
          hostKeys: all.map((key) => ({ publicKey: `${typeOf(key)} AAAA`, fingerprint: key })),
          hostNames: [node],
          record: 1,
        },
      ] as const,
  );
  return { nodes: new Map(nodes), owners: new Map([...owners, ...more]) };
}

const made = knownFor({ 'orchard-01': ['1e', '1r'], 'orchard-02': ['2e'], 'orchard-03': ['3e'] });

const see = (address: string, meeting: Meeting, more: Partial<Sighting> = {}): Sighting => ({
  address,
  meeting,
  via: 'plan',
  names: [],
  ...more,
});

function ask(name: string, sightings: Sighting[], more: Partial<NodeQuestion> = {}): NodeQuestion {
  const planned = `192.0.2.1${name.at(-1)}`;
  return { name, planned, keysMade: 'here', sightings, announced: [], ...more };
}

const one = (question: NodeQuestion, known = made) => classifyRoll('orchard', [question], known)[0];

describe('one node at its planned address', () => {
  it('is ours with the key that was made for it', () => {
    expect(one(ask('orchard-02', [see('192.0.2.12', keys('2e'))]))).toEqual({
      node: 'orchard-02',
      state: 'ours',
      at: '192.0.2.12',
    });
  });

  it('is ours with all its keys, with one of them, and with a further one of a kind that was not made', () => {
    for (const shown of [keys('1e', '1r'), keys('1e'), keys('1r')]) {
      expect(one(ask('orchard-01', [see('192.0.2.11', shown)]))).toMatchObject({ state: 'ours' });
    }
    expect(one(ask('orchard-02', [see('192.0.2.12', keys('2e', 'xr'))]))).toMatchObject({ state: 'ours' });
  });

  it('is not ours where one of several keys is not the one that was made', () => {
    expect(one(ask('orchard-01', [see('192.0.2.11', keys('1e', 'xr'))]))).toMatchObject({
      state: 'stranger',
    });
  });

  it('is a stranger with a key that nobody made here', () => {
    expect(one(ask('orchard-02', [see('192.0.2.12', keys('xe'))]))).toEqual({
      node: 'orchard-02',
      state: 'stranger',
      at: '192.0.2.12',
      fingerprint: 'xe',
    });
  });

  it('has another key, nobody’s, where the machine goes by the node’s own name', () => {
    const names = ['orchard-02.local'];
    expect(one(ask('orchard-02', [see('192.0.2.12', keys('xe'), { names })]))).toMatchObject({
      state: 'other-key',
      owner: null,
      fingerprint: 'xe',
    });
  });

  it('has a key of an earlier card of the same node', () => {
    const earlier: KeyOwner = { set: 'orchard', node: 'orchard-02', record: 7, isLatest: false };
    const known = knownFor({ 'orchard-02': ['2e'] }, [['0e', earlier]]);
    expect(one(ask('orchard-02', [see('192.0.2.12', keys('0e'))]), known)).toMatchObject({
      state: 'other-key',
      owner: earlier,
      with: null,
    });
  });

  it('has a key of another set', () => {
    const owner: KeyOwner = { set: 'meadow', node: 'orchard-02', record: 3, isLatest: true };
    const known = knownFor({ 'orchard-02': ['2e'] }, [['me', owner]]);
    expect(one(ask('orchard-02', [see('192.0.2.12', keys('me'))]), known)).toMatchObject({
      state: 'other-key',
      owner,
      with: null,
    });
  });

  it.each<Meeting>([
    { kind: 'silent' },
    { kind: 'refused' },
    { kind: 'mute' },
    { kind: 'unreachable', why: 'EHOSTUNREACH' },
    { kind: 'broken', why: 'it hangs up at once' },
  ])('gives no answer: $kind', (meeting) => {
    const announced = ['192.0.2.77'];
    expect(one(ask('orchard-02', [see('192.0.2.12', meeting)], { announced }))).toEqual({
      node: 'orchard-02',
      state: 'no-answer',
      silence: meeting,
      announced,
    });
  });

  it('answers under another name when somebody else had its own first', () => {
    const names = ['orchard-02-2.local'];
    const question = ask('orchard-02', [see('192.0.2.12', keys('2e'), { names })], {
      announced: ['192.0.2.77'],
    });
    expect(one(question)).toMatchObject({
      state: 'other-name',
      calls: 'orchard-02-2.local',
      taken: ['192.0.2.77'],
    });
  });

  it('may have its own name among others', () => {
    const names = ['gate.local', 'orchard-02.local'];
    expect(one(ask('orchard-02', [see('192.0.2.12', keys('2e'), { names })]))).toMatchObject({
      state: 'ours',
    });
  });

  it('is elsewhere where a search met its key', () => {
    const sightings = [
      see('192.0.2.12', { kind: 'silent' }),
      see('192.0.2.77', keys('2e'), { via: 'guess' }),
    ];
    expect(one(ask('orchard-02', sightings))).toMatchObject({ state: 'elsewhere', at: '192.0.2.77' });
  });

  it('cannot be compared where no card was made, or the image makes the keys', () => {
    const sightings = [see('192.0.2.19', keys('xe'))];
    const question = ask('orchard-09', sightings);
    expect(one(question)).toMatchObject({ state: 'incomparable', because: 'never made' });
    expect(one({ ...question, keysMade: 'by the image' })).toMatchObject({
      state: 'incomparable',
      because: 'left to the image',
    });
  });

  it('is known by another node’s key even where no card was made for it', () => {
    expect(one(ask('orchard-09', [see('192.0.2.19', keys('2e'))]))).toMatchObject({
      state: 'other-key',
      owner: { node: 'orchard-02' },
    });
  });
});

describe('one node without a planned address', () => {
  const roaming = (sightings: Sighting[], announced: string[] = []) =>
    one(ask('orchard-02', sightings, { planned: null, announced }));

  it('is ours wherever its key is met', () => {
    for (const via of ['name', 'guess'] as const) {
      expect(roaming([see('192.0.2.77', keys('2e'), { via })])).toMatchObject({
        state: 'ours',
        at: '192.0.2.77',
      });
    }
  });

  it('is ours beside a machine that has its name and another key', () => {
    const sightings = [
      see('192.0.2.70', keys('xe'), { via: 'name', names: ['orchard-02.local'] }),
      see('192.0.2.77', keys('2e'), { via: 'guess', names: ['orchard-02-2.local'] }),
    ];
    expect(roaming(sightings, ['192.0.2.70'])).toMatchObject({ state: 'other-name', taken: ['192.0.2.70'] });
  });

  it('is not what a guess met with another key', () => {
    expect(roaming([see('192.0.2.77', keys('3e'), { via: 'guess' })])).toMatchObject({
      state: 'no-answer',
      silence: { kind: 'not-found' },
    });
  });

  it('is not found where nothing goes by its name', () => {
    expect(roaming([])).toEqual({
      node: 'orchard-02',
      state: 'no-answer',
      silence: { kind: 'not-found' },
      announced: [],
    });
  });
});

describe('nodes beside each other', () => {
  const both = (second: string, third: string) =>
    classifyRoll(
      'orchard',
      [
        ask('orchard-02', [see('192.0.2.12', keys(second))]),
        ask('orchard-03', [see('192.0.2.13', keys(third))]),
      ],
      made,
    );

  it('are swapped where each has the other’s key', () => {
    expect(both('3e', '2e')).toMatchObject([
      { state: 'other-key', owner: { node: 'orchard-03' }, with: 'swapped' },
      { state: 'other-key', owner: { node: 'orchard-02' }, with: 'swapped' },
    ]);
  });

  it('are copies where one answers in its own place and in the other’s', () => {
    expect(both('2e', '2e')).toMatchObject([
      { state: 'ours' },
      { state: 'other-key', owner: { node: 'orchard-02' }, with: 'copied' },
    ]);
  });

  it('are neither where the other is away', () => {
    expect(both('3e', 'xe')).toMatchObject([{ state: 'other-key', with: null }, { state: 'stranger' }]);
  });
});
