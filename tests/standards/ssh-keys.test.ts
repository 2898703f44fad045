import fs from 'node:fs';
import path from 'node:path';
import { fingerprintOf } from '../../src/identity/keys/fingerprint.ts';
import { makeHashedKnownHostsLine, makeKnownHostsLine } from '../../src/identity/keys/known-hosts.ts';
import { encodePrivateKey, encodePublicBlob, encodePublicLine } from '../../src/identity/keys/openssh-key.ts';
import { makeSshfpRecords } from '../../src/identity/keys/sshfp.ts';
import {
  rfc8032Fingerprint as fingerprint,
  rfc8032Line as line,
  rfc8032Strings as pair,
  rfc7479Line,
} from '../identity/published-keys.ts';
import { run, statusOf, workFolder } from '../image/recipes.ts';
import { compareRows, type Row } from './compare-rows.ts';

const folder = workFolder();
const save = (name: string, text: string) => {
  const file = path.join(folder, name);
  fs.writeFileSync(file, text, { mode: 0o600 });
  return file;
};
const keygen = (...args: string[]) => run('ssh-keygen', args).toString();

const rfc7479Digest = 'a87f1b687ac0e57d2a081a2f282672334d90ed316d2b818ca9580ea384d92401';
const ssh = ['ssh-keygen'];

compareRows<unknown>('SSH keys', [
  {
    value: 'the blob of RFC 8032 test 1 has 51 bytes',
    source: 'RFC 4253 section 6.6, RFC 8709 section 4',
    ours: () => [encodePublicBlob(pair).length, encodePublicLine(pair, '')],
    expected: [51, line],
    reference: {
      programs: ssh,
      says: () => {
        const shown = keygen('-e', '-m', 'RFC4716', '-f', save('blob.pub', `${line}\n`));
        const base64 = shown
          .split('\n')
          .filter((one) => /^[A-Za-z0-9+/]+=*$/.test(one))
          .join('');
        return [Buffer.from(base64, 'base64').length, `ssh-ed25519 ${base64}`];
      },
    },
  },
  {
    value: 'its fingerprint',
    source: 'OpenSSH 9.2 ssh-keygen -l',
    ours: () => fingerprintOf(encodePublicBlob(pair)),
    expected: fingerprint,
    reference: {
      programs: ssh,
      says: () => keygen('-l', '-f', save('print.pub', `${line}\n`)).split(' ')[1],
    },
  },
  {
    value: 'the digest of the example key',
    source: 'RFC 7479 section 4; RFC 4255 section 3.1',
    ours: () => makeSshfpRecords('x', rfc7479Line)[1]?.slice('x IN SSHFP '.length),
    expected: `4 2 ${rfc7479Digest}`,
    reference: {
      programs: ssh,
      says: () => /SSHFP (4 2 \w+)/.exec(keygen('-r', 'x', '-f', save('sshfp.pub', `${rfc7479Line}\n`)))?.[1],
    },
  },
  {
    value: 'a private key made of the seed belongs to the public one',
    source: 'OpenSSH PROTOCOL.key; RFC 8032 section 7.1',
    ours: () => {
      const pem = encodePrivateKey(pair, '', 7);
      const widths = pem
        .split('\n')
        .slice(1, -3)
        .map((one) => one.length);
      return [
        new Set(widths).size === 1 && widths[0] === 70,
        pem.includes('\r'),
        pem.endsWith('-----\n'),
        line,
      ];
    },
    expected: [true, false, true, line],
    reference: {
      programs: ssh,
      says: () => [true, false, true, keygen('-y', '-f', save('made', encodePrivateKey(pair, '', 7))).trim()],
    },
  },
]);

/** Whether ssh-keygen -F finds the name in a file with this line. */
const finds = (name: string, text: string) =>
  statusOf('ssh-keygen', ['-F', name, '-f', save('known', `${text}\n`)]) === 0;

function knownRow(value: string, name: string, port: number, shown: string): Row<string> {
  return {
    value,
    source: 'sshd(8), "SSH_KNOWN_HOSTS FILE FORMAT"; OpenSSH 9.2',
    ours: () => makeKnownHostsLine([name], `${line} comment`, port),
    expected: `${shown} ${line}`,
    reference: {
      programs: ssh,
      says: () => (finds(shown, `${shown} ${line}`) ? `${shown} ${line}` : 'not found'),
    },
  };
}

/** ssh-keygen -H hashes names; the vector has the salt 00…13. */
const salt = Buffer.from(Array.from({ length: 20 }, (_, i) => i));

compareRows<string>('known_hosts', [
  knownRow('a name at port 22 stands alone', 'node1.example.org', 22, 'node1.example.org'),
  knownRow('another port goes with brackets', '192.0.2.7', 2222, '[192.0.2.7]:2222'),
  ...(
    [
      ['node1.example.org', 22, 'jbhjbkpsO5issjKe8t/K3h1YlYY='],
      ['192.0.2.7', 2222, '+hyi9bE4GBBDLjQxSCDHmJeZCLU='],
    ] as const
  ).map(
    ([name, port, digest]): Row<string> => ({
      value: `the name that is looked up for ${name} at port ${port}, hashed`,
      source: 'HMAC-SHA1 of the name; found by OpenSSH 9.2 ssh-keygen -F',
      ours: () => makeHashedKnownHostsLine(name, line, salt, port).split(' ')[0] ?? '',
      expected: `|1|AAECAwQFBgcICQoLDA0ODxAREhM=|${digest}`,
      reference: {
        programs: ssh,
        says: () => {
          const entry = `|1|AAECAwQFBgcICQoLDA0ODxAREhM=|${digest}`;
          return finds(port === 22 ? name : `[${name}]:${port}`, `${entry} ${line}`) ? entry : 'not found';
        },
      },
    }),
  ),
]);
