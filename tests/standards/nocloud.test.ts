import fs from 'node:fs';
import path from 'node:path';
import { makeHostKey } from '../../src/identity/keys/host-key.ts';
import { growerHash, makeSet, orchardNode, orchardPlan, textOf } from '../identity/orchard.ts';
import { run, workFolder } from '../image/recipes.ts';
import { compareRows, type Row } from './compare-rows.ts';

const folder = workFolder();

/** Whether `cloud-init schema` takes a text for a cloud-config. */
function isValid(userData: string): boolean {
  const file = path.join(folder, 'user-data');
  fs.writeFileSync(file, userData);
  try {
    return run('cloud-init', ['schema', '-c', file]).toString().includes('Valid cloud-config');
  } catch {
    // its status says that it is none
    return false;
  }
}

/** What we write holds to the rule, as the row says, and the program sees it so, too. */
function schemaRow(
  value: string,
  source: string,
  userData: () => string,
  isOurs: (text: string) => boolean,
): Row {
  return {
    value,
    source,
    ours: () => isOurs(userData()),
    expected: true,
    reference: { programs: ['cloud-init'], says: () => isValid(userData()) },
  };
}

const existing = { userData: null, metaData: null, networkConfig: null };
const merged = (userData: string) => () =>
  textOf(makeSet({ existing: { ...existing, userData } }), 'user-data');
const hostKey = makeHostKey('orchard-01');
const rsaKey = makeHostKey('orchard-01', 'rsa');
const fullSet = () => {
  const { network } = orchardPlan();
  const wifi = { name: 'orchard', key: '0'.repeat(64), country: 'ES', hidden: false };
  return makeSet({
    plan: orchardPlan(
      { sudo: 'none', passwordHash: growerHash, sshPassword: true },
      {
        network: { ...network, domain: 'orchard.example.org', wifi },
        system: { timezone: 'Europe/Madrid', locale: 'en_GB.UTF-8' },
      },
    ),
    node: orchardNode({ link: 'wifi', firstBoot: { files: [], commands: ['echo "a: b"'] } }),
    firstBootFiles: [
      { path: '/home/grower/x', content: Buffer.from('x'), mode: '0600', owner: 'grower:grower' },
      { path: '/etc/empty', content: new Uint8Array(), mode: '644', owner: 'root:root' },
    ],
    firstBootFixes: ['systemctl mask --now --no-block new-keys.service'],
  });
};
const isFirstLine = (text: string) => text.split('\n')[0] === '#cloud-config';
const schema = 'cloud-init 22.4.2, schema of';

compareRows('NoCloud user-data', [
  schemaRow(
    'a node with an authorized key and a host key',
    `${schema} cc_ssh: ssh_keys has ed25519_private and ed25519_public`,
    () => textOf(makeSet({ hostKeys: [hostKey, rsaKey] }), 'user-data'),
    (text) => /^ssh_keys:\n {2}ed25519_private: \|[\s\S]*^ {2}ed25519_public: "ssh-ed25519 /m.test(text),
  ),
  schemaRow(
    'a node with a password hash',
    `${schema} cc_users_groups: hashed_passwd, lock_passwd`,
    () => textOf(makeSet({ plan: orchardPlan({ passwordHash: growerHash }) }), 'user-data'),
    (text) => text.includes(`hashed_passwd: "${growerHash}"`) && text.includes('lock_passwd: false'),
  ),
  schemaRow(
    'a node with all that a plan can say',
    `${schema} cc_set_hostname, cc_update_etc_hosts, cc_timezone, cc_locale, cc_bootcmd, cc_write_files, cc_runcmd`,
    () => textOf(fullSet(), 'user-data'),
    (text) =>
      text.includes('fqdn: "orchard-01.orchard.example.org"') &&
      /^timezone: "Europe\/Madrid"/m.test(text) &&
      /^ {2}- path: "\/home\/grower\/x" .*\n {4}encoding: "b64"\n[\s\S]*^ {4}defer: true$/m.test(text),
  ),
  schemaRow(
    'the first line says what it is, also where the image has a byte order mark and CRLF before it',
    'cloud-init documentation, "Cloud config data": begins with #cloud-config',
    merged('\ufeff#cloud-config\r\npackage_update: true\r\n'),
    (text) => isFirstLine(text) && text.includes('package_update: true'),
  ),
  schemaRow(
    'a host name is text, where the image gives a number',
    `${schema} cc_set_hostname: hostname is a string`,
    merged('#cloud-config\nhostname: 12\n'),
    (text) => text.includes('hostname: "orchard-01"') && !text.includes('hostname: 12'),
  ),
  {
    value: 'a number for a host name, which our own text replaces, is none',
    source: `${schema} cc_set_hostname`,
    ours: () => merged('#cloud-config\nhostname: 12\n')().includes('hostname: 12'),
    expected: false,
    reference: { programs: ['cloud-init'], says: () => isValid('#cloud-config\nhostname: 12\n') },
  },
]);
