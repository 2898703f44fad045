import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { keysFromFile } from '../../src/batch/roll-call/keys-from-file.ts';
import { keysFromRecords } from '../../src/batch/roll-call/known-keys.ts';
import { namesOfNode } from '../../src/batch/roll-call/names-of-node.ts';
import { parseNeighbours } from '../../src/batch/roll-call/neighbours.ts';
import { openOwnFile, replaceOwnFile } from '../../src/batch/roll-call/papers/own-file.ts';
import { readSearchRange } from '../../src/batch/roll-call/search-range.ts';
import { attachedNetworks, readWait } from '../../src/cli/commands/rollcall-options.ts';
import { createLiveBlock } from '../../src/cli/screens/live-block.ts';
import { openSample, orchardJob } from '../records/sample.ts';

describe('a network to be searched', () => {
  const here = ['192.0.2.1/24', '198.51.100.7/20', '2001:db8::1/64'];
  const addressesIn = (text: string) => {
    const result = readSearchRange(text, here);
    return result.ok ? result.range.addresses : result.reason;
  };

  it('is all of its hosts, whatever address in it was named', () => {
    for (const text of ['192.0.2.0/24', '192.0.2.77/24']) {
      const addresses = addressesIn(text);
      expect(addresses).toHaveLength(254);
      expect([addresses[0], addresses.at(-1)]).toEqual(['192.0.2.1', '192.0.2.254']);
    }
    expect(addressesIn('192.0.2.8/30')).toEqual(['192.0.2.9', '192.0.2.10']);
    // RFC 3021.
    expect(addressesIn('192.0.2.8/31')).toEqual(['192.0.2.8', '192.0.2.9']);
    expect(addressesIn('192.0.2.9/32')).toEqual(['192.0.2.9']);
    expect(addressesIn('198.51.100.0/22')).toHaveLength(1022);
  });

  it('is small, and one that this machine is in', () => {
    expect(addressesIn('198.51.96.0/21')).toContain('/22');
    expect(addressesIn('203.0.113.0/24')).toContain('this machine is in');
    expect(addressesIn('192.0.2.0/23')).toContain('this machine is in');
    for (const text of [
      '',
      '192.0.2.0',
      '192.0.2.0/33',
      '192.0.2.0/-1',
      '192.0.2/24',
      '2001:db8::/120',
      'x/24',
    ]) {
      expect(addressesIn(text), text).toContain('192.0.2.0/24');
    }
  });

  it('is none that only this machine’s own loop is in', () => {
    const card = { address: '127.0.0.1', netmask: '255.0.0.0', mac: '00:00:00:00:00:00' } as const;
    expect(
      attachedNetworks({ lo: [{ ...card, family: 'IPv4', internal: true, cidr: '127.0.0.1/8' }] }),
    ).toEqual([]);
  });
});

describe('a time to wait', () => {
  it.each([
    [undefined, 0],
    ['90', 90_000],
    ['90s', 90_000],
    ['5m', 300_000],
    ['5min', 300_000],
    ['1h', 3_600_000],
    ['24h', 86_400_000],
  ])('%s is %s ms', (text, ms) => expect(readWait(text)).toBe(ms));

  it.each(['', 'soon', '-1', '5 m', '1d', '25h', '1e3'])('is not "%s"', (text) => {
    expect(() => readWait(text)).toThrow(/--wait/);
  });
});

describe('names that a node may have been driven to', () => {
  it('follow RFC 6762 section 9, and count up where the name ends in a number', () => {
    expect(namesOfNode('orchard-02')).toEqual([
      'orchard-02.local',
      'orchard-02-2.local',
      'orchard-02-3.local',
      'orchard-02-4.local',
    ]);
    expect(namesOfNode('orchard-11')).toContain('orchard-12.local');
  });
});

describe('hardware addresses', () => {
  it('are those of whole entries of /proc/net/arp, as proc(5) shows it', () => {
    const text = `IP address       HW type     Flags       HW address            Mask     Device
192.0.2.9        0x1         0x2         02:00:5E:10:00:09     *        eth0
192.0.2.10       0x1         0x0         00:00:00:00:00:00     *        eth0
`;
    expect([...parseNeighbours(text)]).toEqual([['192.0.2.9', '02:00:5e:10:00:09']]);
    expect(parseNeighbours('').size).toBe(0);
  });
});

const key = 'ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIJ0DIjzTNaVBqDQ3UGbnKPGAnqLgMCzuLkmnJHFqFTe5';

describe('keys to compare with', () => {
  let folder: string;
  beforeEach(() => {
    folder = fs.mkdtempSync(join(tmpdir(), 'cardwright-roll-'));
  });
  afterEach(() => fs.rmSync(folder, { recursive: true }));

  it('come from the last finished card of each node; those of earlier cards are still known', () => {
    const records = openSample(join(folder, 'records.db'));
    const write = (node: string, fingerprint: string, isDone: boolean, set = 'orchard', over?: number) => {
      const cardRecordUuid = over === undefined ? null : (records.readRecord(over)?.uuid ?? null);
      const id = records.beginJob({ ...orchardJob, set, node, cardRecordUuid });
      records.saveIdentity(id, {
        hostNames: [node],
        hostKeys: [{ publicKey: `${key} x`, fingerprint }],
        identityFileSha256: null,
      });
      if (isDone) {
        records.markSealing(id);
        records.markDone(id, { bytesReadBack: 1, sectorsRead: null });
      } else records.markFailed(id, 'job.mismatch', 'unbootable');
      return id;
    };
    const old = write('orchard-01', 'old', true);
    const good = write('orchard-01', 'good', true);
    const failed = write('orchard-01', 'failed', false);
    const meadow = write('orchard-01', 'meadow', true, 'meadow');
    // One card for two nodes, one after the other: the first of them has none now.
    const given = write('orchard-02', 'given', true);
    const taken = write('orchard-03', 'taken', true, 'orchard', given);
    const { nodes, owners } = keysFromRecords(records.listRecords(), 'orchard');
    records.close();
    expect([...nodes.keys()].sort()).toEqual(['orchard-01', 'orchard-03']);
    expect(nodes.get('orchard-01')?.record).toBe(good);
    const node = 'orchard-01';
    expect(Object.fromEntries(owners)).toEqual({
      old: { set: 'orchard', node, record: old, isLatest: false },
      good: { set: 'orchard', node, record: good, isLatest: true },
      failed: { set: 'orchard', node, record: failed, isLatest: false },
      meadow: { set: 'meadow', node, record: meadow, isLatest: true },
      given: { set: 'orchard', node: 'orchard-02', record: given, isLatest: false },
      taken: { set: 'orchard', node: 'orchard-03', record: taken, isLatest: true },
    });
  });

  it('come from a known_hosts file, for the plan’s nodes alone', () => {
    const text = `# Made by somebody\n\norchard-01,192.0.2.11 ${key}\nelsewhere ${key}\n`;
    const { nodes, owners } = keysFromFile(text, 'known', 'orchard', ['orchard-01', 'orchard-02']);
    expect([...nodes.keys()]).toEqual(['orchard-01']);
    expect([...owners.values()]).toEqual([
      { set: 'orchard', node: 'orchard-01', record: null, isLatest: true },
    ]);
  });

  it.each([
    ['|1|abc=|def= ', 'hashed'],
    ['@cert-authority *.example.org ', 'marked'],
    ['orchard-0? ', 'patterns'],
    ['orchard-01 ssh-ed25519 ', 'base64'],
  ])('do not come from %s', (names, why) => {
    expect(() => keysFromFile(`\n${names}${key}`, 'known', 'orchard', ['orchard-01'])).toThrow(
      expect.objectContaining({
        code: 'rollcall.bad-keys-file',
        facts: expect.objectContaining({ line: 2 }),
      }),
    );
    expect(why).toBeTruthy();
  });

  it('are written to a file of our own alone, whole', async () => {
    const path = join(folder, 'known_hosts');
    expect(await openOwnFile(path, 'orchard')).toEqual({ path, before: '' });
    await replaceOwnFile(path, 'orchard', 'one\ntwo\n');
    expect(await openOwnFile(path, 'orchard')).toEqual({ path, before: 'one\ntwo\n' });
    const first = fs.statSync(path).ino;
    await replaceOwnFile(path, 'orchard', 'three\n');
    expect(fs.statSync(path).ino).not.toBe(first);
    expect(fs.readdirSync(folder)).toEqual(['known_hosts']);
    await expect(openOwnFile(path, 'meadow')).rejects.toMatchObject({ code: 'rollcall.not-ours' });
  });

  it('are not written over anything else', async () => {
    const path = join(folder, 'other');
    const refused = (file: string) =>
      expect(openOwnFile(file, 'orchard')).rejects.toMatchObject({ code: 'rollcall.not-ours' });
    for (const text of ['', '127.0.0.1 localhost\n', ' # Made by cardwright rollcall\n']) {
      fs.writeFileSync(path, text);
      await refused(path);
    }
    await refused(folder);
    const mine = join(folder, 'mine');
    await replaceOwnFile(mine, 'orchard', '');
    fs.symlinkSync(mine, join(folder, 'link'));
    await refused(join(folder, 'link'));
    await refused(join(mine, 'below'));
    await expect(replaceOwnFile(join(folder, 'none', 'x'), 'orchard', '')).rejects.toMatchObject({
      code: 'rollcall.not-written',
      facts: { errno: 'ENOENT' },
    });
  });
});

describe('lines that are drawn in place', () => {
  it('stand where the former ones stood', () => {
    const block = createLiveBlock({ rows: 24, columns: 10 });
    expect(block.draw(['a', 'b'])).toBe('a\nb\n');
    expect(block.draw(['c', 'x'.repeat(15)])).toBe(`\r\u001b[2A\u001b[Jc\n${'x'.repeat(15)}\n`);
    expect(block.wipe()).toBe('\r\u001b[3A\u001b[J');
    expect(block.wipe()).toBe('');
  });

  it('are no more than a terminal can reach again', () => {
    const block = createLiveBlock({ rows: 5, columns: 80 });
    expect(block.draw(['1', '2', '3', '4', '5'])).toBe('1\n2\n…\n');
  });
});
