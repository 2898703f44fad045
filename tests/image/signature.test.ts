import fs from 'node:fs';
import path from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { expectedSha256 } from '../../src/image/checksum/expected-sha256.ts';
import { judgeSignature } from '../../src/image/checksum/signature-status.ts';
import { verifySignature } from '../../src/image/checksum/verify-signature.ts';
import { describeWith } from '../lab/capabilities.ts';
import { codeOf, run, workFolder } from './recipes.ts';

const folder = workFolder();
const hello = 'a948904f2f0f479b8f8197694b30184b0d2ed1c1cd2a1ec0fb85d299a192a447';
const at = (name: string) => path.join(folder, name);
const image = at('node-os.img');
const sums = at('SHA256SUMS');

describeWith(['program:gpg', 'program:gpgv'], 'the signature of a checksum file', () => {
  const home = at('gnupg');
  const gpg = (args: string[], input?: string) =>
    run(
      'gpg',
      [
        '--homedir',
        home,
        '--batch',
        '--yes',
        '--quiet',
        '--pinentry-mode',
        'loopback',
        '--passphrase',
        '',
        ...args,
      ],
      input,
    );
  const fingerprintOf = (user: string) =>
    /^fpr:+([0-9A-F]{40}):/m.exec(gpg(['--with-colons', '--list-keys', user]).toString())?.[1] ?? '';
  const create = (user: string, expires = 'never', ...args: string[]) =>
    gpg([...args, '--quick-generate-key', user, 'ed25519', 'sign', expires]);
  const keyring = (name: string, ...users: string[]) => {
    fs.writeFileSync(at(name), gpg(['--export', ...users]));
    return at(name);
  };
  const sign = (user: string, name: string, ...args: string[]) => {
    gpg(['-u', user, ...args, '--output', at(name), '--detach-sign', sums]);
    return at(name);
  };
  let good = '';

  beforeAll(() => {
    fs.mkdirSync(home, { mode: 0o700 });
    fs.writeFileSync(sums, `${hello}  node-os.img\n`);
    for (const user of ['maker@example.org', 'other@example.org', 'gone@example.org']) create(user);
    good = keyring('maker.gpg', 'maker@example.org');
  });
  // the agent of this home is this test's own child: it is asked to end
  afterAll(() => void run('gpgconf', ['--homedir', home, '--kill', 'all']));

  const verify = (signature: string | null, ring = good, file = sums) =>
    verifySignature({ file, signature, keyring: ring });
  const refusal = (signature: string | null, ring = good, file = sums) =>
    codeOf(() => verify(signature, ring, file));

  it('good: the text that was signed and who signed it', async () => {
    const signature = sign('maker@example.org', 'good.sig');
    const { text, fingerprints } = await verify(signature);
    expect(text).toBe(`${hello}  node-os.img\n`);
    expect(fingerprints).toEqual([fingerprintOf('maker@example.org')]);
    expect(run('gpgv', ['--keyring', good, signature, sums])).toBeDefined();
    const armored = sign('maker@example.org', 'good.asc', '--armor');
    expect((await verify(armored)).fingerprints).toHaveLength(1);
    const expected = await expectedSha256({ image, sums, signature, keyring: good });
    expect(expected).toMatchObject({ sha256: hello, from: 'signed sums' });
  });

  it('bad: the file is not what was signed', async () => {
    const signature = sign('maker@example.org', 'bad.sig');
    const changed = at('changed');
    fs.writeFileSync(changed, `${hello.replace('a', 'b')}  node-os.img\n`);
    expect(await refusal(signature, good, changed)).toBe('image.signature-bad');
  });

  it('by a key that is not in the keyring, alone or beside a good one', async () => {
    const signature = sign('other@example.org', 'other.sig');
    await expect(verify(signature)).rejects.toMatchObject({ code: 'image.signature-key-unknown' });
    const both = at('both.sig');
    fs.writeFileSync(
      both,
      Buffer.concat([fs.readFileSync(sign('maker@example.org', 'one.sig')), fs.readFileSync(signature)]),
    );
    expect(await refusal(both)).toBe('image.signature-key-unknown');
    const full = keyring('both.gpg', 'maker@example.org', 'other@example.org');
    expect((await verify(both, full)).fingerprints).toHaveLength(2);
  });

  it('by a key that has expired, or a signature that has', async () => {
    // made in the past, so that nobody has to wait
    create('late@example.org', 'seconds=3600', '--faked-system-time', '20200101T000000!');
    const signature = sign('late@example.org', 'late.sig', '--faked-system-time', '20200101T001000!');
    expect(await refusal(signature, keyring('late.gpg', 'late@example.org'))).toBe(
      'image.signature-key-expired',
    );
    const short = sign('maker@example.org', 'short.sig', '--default-sig-expire', 'seconds=1');
    await new Promise((resolve) => setTimeout(resolve, 2100));
    expect(await refusal(short)).toBe('image.signature-key-expired');
  });

  it('by a key that was revoked', async () => {
    const signature = sign('gone@example.org', 'gone.sig');
    const certificate = fs
      .readFileSync(path.join(home, 'openpgp-revocs.d', `${fingerprintOf('gone@example.org')}.rev`), 'utf8')
      .replace(':-----BEGIN', '-----BEGIN');
    gpg(['--import'], certificate);
    expect(await refusal(signature, keyring('gone.gpg', 'gone@example.org'))).toBe(
      'image.signature-key-revoked',
    );
  });

  it('that is none: another file, an empty one, a missing one', async () => {
    expect(await refusal(sums)).toBe('image.signature-missing');
    fs.writeFileSync(at('empty.sig'), '');
    expect(await refusal(at('empty.sig'))).toBe('image.signature-missing');
    expect(await refusal(at('nothing.sig'))).toBe('image.unreadable');
    expect(await refusal(null)).toBe('image.signature-missing');
  });

  it('with a keyring in text form is explained, and the advice works', async () => {
    const signature = sign('maker@example.org', 'form.sig');
    const armored = at('maker.asc');
    fs.writeFileSync(armored, gpg(['--armor', '--export', 'maker@example.org']));
    expect(await refusal(signature, armored)).toBe('image.keyring-armored');
    fs.writeFileSync(at('dearmored.gpg'), gpg(['--dearmor'], fs.readFileSync(armored, 'utf8')));
    expect((await verify(signature, at('dearmored.gpg'))).fingerprints).toHaveLength(1);
    expect(await refusal(signature, at('no-ring.gpg'))).toBe('image.unreadable');
  });

  it('inside the file itself: only what it covers is used', async () => {
    const signed = at('SHA256SUMS.asc');
    gpg(['-u', 'maker@example.org', '--output', signed, '--clear-sign', sums]);
    expect((await verify(null, good, signed)).text).toBe(`${hello}  node-os.img\n`);
    // lines around the signed part: gpgv ends with 0 all the same (facts, section 5)
    const forged = at('forged.asc');
    const evil = `${'e'.repeat(64)}  node-os.img\n`;
    fs.writeFileSync(forged, `${evil}\n${fs.readFileSync(signed, 'utf8')}\n${evil}`);
    expect(run('gpgv', ['--keyring', good, forged])).toBeDefined();
    const expected = await expectedSha256({ image, sums: forged, keyring: good });
    expect(expected?.sha256).toBe(hello);
    expect(await codeOf(() => expectedSha256({ image, sums: signed }))).toBe('image.sums-need-keyring');
    const spoiled = at('spoiled.asc');
    fs.writeFileSync(spoiled, fs.readFileSync(signed, 'utf8').replace('node-os', 'nude-os'));
    expect(await refusal(null, good, spoiled)).toBe('image.signature-bad');
  });

  it('without gpgv names its package', async () => {
    const signature = sign('maker@example.org', 'path.sig');
    const before = process.env.PATH;
    process.env.PATH = folder;
    try {
      expect(await refusal(signature)).toBe('image.decoder-missing');
    } finally {
      process.env.PATH = before;
    }
  });

  it('without a keyring is refused', async () => {
    const order = { image, sums, signature: at('good.sig') };
    expect(await codeOf(() => expectedSha256(order))).toBe('image.signature-without-keyring');
  });
});

describe('the status lines of gpgv (GnuPG doc/DETAILS)', () => {
  const valid = '[GNUPG:] VALIDSIG F1 2026-01-01 1 0 4 0 22 8 00 F0';
  const judge = (status: string[], exitCode = 0) =>
    codeOf(() =>
      judgeSignature({ status: status.join('\n'), exitCode, stderr: '' }, { file: 'f', keyring: 'k' }),
    );

  it('one VALIDSIG and nothing against it is good', () => {
    const facts = { status: `[GNUPG:] NEWSIG\n${valid}\n`, exitCode: 0, stderr: '' };
    expect(judgeSignature(facts, { file: 'f', keyring: 'k' })).toEqual(['F0']);
  });

  it.each([
    ['image.signature-bad', '[GNUPG:] BADSIG 1 x'],
    ['image.signature-key-revoked', '[GNUPG:] REVKEYSIG 1 x'],
    ['image.signature-key-expired', '[GNUPG:] EXPKEYSIG 1 x'],
    ['image.signature-key-expired', '[GNUPG:] EXPSIG 1 x'],
    ['image.signature-key-unknown', '[GNUPG:] NO_PUBKEY 1'],
    ['image.signature-missing', '[GNUPG:] ERRSIG 1 22 8 00 1 4'],
    ['image.signature-missing', '[GNUPG:] NODATA 4'],
  ])('%s beside a good one still refuses: %s', async (code, line) => {
    expect(await judge([valid, line])).toBe(code);
  });

  it('no VALIDSIG, or a bad exit status, is never good', async () => {
    expect(await judge(['[GNUPG:] GOODSIG 1 x'])).toBe('image.signature-missing');
    expect(await judge([valid], 1)).toBe('image.signature-missing');
    // a line of the file itself that looks like one
    expect(await judge(['VALIDSIG F1'])).toBe('image.signature-missing');
  });
});
