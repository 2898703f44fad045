import { execFileSync, spawnSync } from 'node:child_process';
import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { makeHostKey } from '../../src/identity/keys/host-key.ts';
import { hostKeysFor } from '../../src/job/station/host-keys.ts';
import { orchardNode, orchardPlan } from '../identity/orchard.ts';
import { describeWith } from '../lab/capabilities.ts';

let place: string;
let keys: string;
beforeEach(() => {
  place = fs.mkdtempSync(join(tmpdir(), 'cardwright-host-keys-'));
  keys = join(place, 'hosts');
});
afterEach(() => fs.rmSync(place, { recursive: true, force: true }));

const take = (keeps = true, types: ('ed25519' | 'rsa')[] = ['ed25519'], name = 'orchard-01') =>
  hostKeysFor(
    orchardPlan({}, { hostKeys: 'create', hostKeyTypes: types, hostKeyFolder: keys }),
    orchardNode({ name }),
    keeps,
  );
const own = (name = '') => join(keys, 'orchard-01', name);
const pair = 'ssh_host_ed25519_key';
const modeOf = (path: string) => (fs.statSync(path).mode & 0o7777).toString(8);

function refusal(): string {
  try {
    take();
  } catch (error) {
    if (error instanceof CardwrightError) {
      expect(error.code).toBe('identity.host-key-unusable');
      return `${error.facts.path}: ${error.facts.why}`.replace(keys, 'KEYS');
    }
    throw error;
  }
  return 'taken';
}

describe('host keys that a folder keeps', () => {
  it('are made once, for their owner alone, and taken again for the next card', () => {
    const first = take();
    expect(fs.readdirSync(own()).sort()).toEqual([pair, `${pair}.pub`]);
    expect([keys, own(), own(pair), own(`${pair}.pub`)].map(modeOf)).toEqual(['700', '700', '600', '600']);
    expect(fs.readFileSync(own(pair), 'utf8')).toBe(first[0]?.privatePem);
    expect(fs.readFileSync(own(`${pair}.pub`), 'utf8')).toBe(`${first[0]?.publicLine}\n`);
    expect(take()).toEqual(first);
    expect(take(false)).toEqual(first);
    expect(take(true, ['ed25519'], 'orchard-02')).not.toEqual(first);
  });

  it('leave nothing behind where somebody only looks', () => {
    expect(take(false)).toHaveLength(1);
    expect(fs.existsSync(keys)).toBe(false);
    take();
    take(false, ['ed25519', 'rsa']);
    expect(fs.readdirSync(own())).toHaveLength(2);
  });

  it('get another kind beside them when the plan asks for it', () => {
    const [first] = take();
    const both = take(true, ['ed25519', 'rsa']);
    expect(both[0]).toEqual(first);
    expect(both[1]?.publicLine).toMatch(/^ssh-rsa /);
    expect(take(true, ['rsa', 'ed25519'])).toEqual([both[1], both[0]]);
  });

  it('get back a public half that was lost', () => {
    const first = take();
    fs.rmSync(own(`${pair}.pub`));
    expect(take()).toEqual(first);
    expect(fs.readFileSync(own(`${pair}.pub`), 'utf8')).toBe(`${first[0]?.publicLine}\n`);
  });

  it('are not made where the image makes its own, nor kept where no folder is named', () => {
    const node = orchardNode();
    expect(hostKeysFor(orchardPlan({}, { hostKeys: 'image', hostKeyFolder: keys }), node, true)).toEqual([]);
    expect(hostKeysFor(orchardPlan({}, { hostKeys: 'create' }), node, true)).toHaveLength(1);
    expect(fs.existsSync(keys)).toBe(false);
  });

  const other = () => makeHostKey('orchard-01');
  const write = (name: string, text: string) => fs.writeFileSync(own(name), text);
  const flip = (at: number) => {
    const lines = fs.readFileSync(own(pair), 'utf8').split('\n');
    const bytes = Buffer.from(lines.slice(1, -2).join(''), 'base64');
    bytes[at] = (bytes[at] ?? 0) ^ 1;
    write(pair, [lines[0], bytes.toString('base64'), ...lines.slice(-2)].join('\n'));
  };
  const swapForFolder = (path: string) => {
    fs.rmSync(path);
    fs.mkdirSync(path, { mode: 0o700 });
  };
  // OpenSSH PROTOCOL.key: 15 + 8 + 8 + 4 + 4 bytes before the public blob of 4 + 51, then the length of the secret.
  const blobAt = 39;
  const secretAt = blobAt + 4 + 51 + 4;

  it.each([
    [
      'folder that others can list',
      () => fs.chmodSync(keys, 0o755),
      /KEYS: others can get at it \(mode 0755\)/,
    ],
    ['folder of the node the group can enter', () => fs.chmodSync(own(), 0o710), /orchard-01: others can/],
    [
      'private half that the group can read',
      () => fs.chmodSync(own(pair), 0o640),
      /key: others can get at it/,
    ],
    ['public half that others can write', () => fs.chmodSync(own(`${pair}.pub`), 0o666), /write to it/],
    ['public half of another key', () => write(`${pair}.pub`, other().publicLine), /not the public half/],
    ['private half of another key', () => write(pair, other().privatePem), /not the public half/],
    ['lost private half', () => fs.rmSync(own(pair)), /its public half is there/],
    ['empty file', () => write(pair, ''), /no private key/],
    ['file cut short', () => write(pair, fs.readFileSync(own(pair), 'utf8').slice(0, 200)), /damaged/],
    ['wrong check number', () => flip(secretAt), /damaged/],
    ['wrong seed', () => flip(secretAt + 8 + 15 + 36 + 4), /do not belong together/],
    ['wrong copy of the public half', () => flip(secretAt + 8 + 15 + 4), /damaged/],
    ['wrong public half', () => flip(blobAt + 4 + 15 + 4), /do not belong together|not the public half/],
    [
      'file with a name of another kind',
      () => write(pair, makeHostKey('x', 'rsa').privatePem),
      /another kind/,
    ],
    ['huge file', () => write(pair, 'x'.repeat(70_000)), /70000 bytes/],
    ['folder in its place', () => swapForFolder(own(pair)), /not a plain file/],
  ] as [string, () => void, RegExp][])('are refused: %s', (_what, spoil, why) => {
    take();
    spoil();
    expect(refusal()).toMatch(why);
  });

  it.each([
    ['the folder', () => keys],
    ['the folder of a node', () => own()],
    ['the private half', () => own(pair)],
    ['the public half', () => own(`${pair}.pub`)],
  ])('are refused where %s is a symbolic link', (_what, path) => {
    take();
    fs.renameSync(path(), join(place, 'elsewhere'));
    fs.symlinkSync(join(place, 'elsewhere'), path());
    expect(refusal()).toMatch(/symbolic link/);
  });

  it('are not made through a link that leads nowhere', () => {
    fs.symlinkSync(join(place, 'nowhere'), keys);
    expect(() => take()).toThrow();
    fs.rmSync(keys);
    fs.mkdirSync(join(keys, 'orchard-01'), { recursive: true, mode: 0o700 });
    fs.symlinkSync(join(place, 'nowhere'), own(pair));
    expect(refusal()).toMatch(/symbolic link/);
    expect(fs.readdirSync(place)).toEqual(['hosts']);
  });
});

describeWith(['root'], 'host keys of somebody else', () => {
  it('are refused, but those of the caller of sudo are taken, and new files are theirs', () => {
    take();
    fs.chownSync(own(pair), 4711, 4711);
    expect(refusal()).toMatch(/belongs to user 4711/);
    execFileSync('chown', ['-R', '4711:4712', keys]);
    expect(refusal()).toMatch(/KEYS: it belongs to user 4711/);
    process.env.SUDO_UID = '4711';
    try {
      const first = take();
      expect(take(true, ['ed25519', 'rsa'])[0]).toEqual(first[0]);
      const made = fs.statSync(own('ssh_host_rsa_key'));
      expect([made.uid, made.gid, modeOf(own('ssh_host_rsa_key'))]).toEqual([4711, 4712, '600']);
      take(true, ['ed25519'], 'orchard-02');
      expect(fs.statSync(join(keys, 'orchard-02')).uid).toBe(4711);
    } finally {
      delete process.env.SUDO_UID;
    }
  });
});

describeWith(['program:ssh-keygen'], 'host keys beside ssh-keygen', { timeoutMs: 60_000 }, () => {
  const keygen = (...args: string[]) => execFileSync('ssh-keygen', args, { encoding: 'utf8' });

  it.each(['ed25519', 'rsa'] as const)('are read back as it reads them: %s', (type) => {
    const [key] = take(true, [type]);
    const file = own(`ssh_host_${type}_key`);
    expect(keygen('-y', '-f', file).trim()).toBe(key?.publicLine);
    expect(keygen('-l', '-f', file).split(' ')[1]).toBe(key?.fingerprint);
  });

  it.each(['ed25519', 'rsa'] as const)('may be its own, put there by hand: %s', (type) => {
    fs.mkdirSync(own(), { recursive: true, mode: 0o700 });
    const file = own(`ssh_host_${type}_key`);
    keygen('-q', '-t', type, '-N', '', '-C', 'orchard-01', '-f', file);
    const [key] = take(true, [type]);
    expect(key?.privatePem).toBe(fs.readFileSync(file, 'utf8'));
    expect(key?.publicLine).toBe(fs.readFileSync(`${file}.pub`, 'utf8').trim());
    // Saved by an editor with other line ends, it goes to the card as sshd reads it.
    fs.writeFileSync(file, fs.readFileSync(file, 'utf8').replaceAll('\n', '\r\n').trimEnd());
    expect(spawnSync('ssh-keygen', ['-y', '-f', file]).status).not.toBe(0);
    expect(take(true, [type])[0]?.privatePem).toBe(key?.privatePem);
  });

  it.each([
    ['with a passphrase', ['-t', 'ed25519', '-N', 'correct horse'], /passphrase/],
    ['in the older format', ['-t', 'rsa', '-m', 'PEM', '-N', ''], /older format/],
    ['of another type', ['-t', 'ecdsa', '-N', ''], /neither an Ed25519 nor an RSA/],
    ['that is too short', ['-t', 'rsa', '-b', '1024', '-N', ''], /1024 bits/],
  ])('are refused: one %s', (_what, args, why) => {
    fs.mkdirSync(own(), { recursive: true, mode: 0o700 });
    keygen('-q', ...args, '-f', own(pair));
    expect(refusal()).toMatch(why);
  });
});
