import { execFileSync, spawnSync } from 'node:child_process';
import { mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { makeHostKey } from '../../src/identity/keys/host-key.ts';
import { describeWith } from '../lab/capabilities.ts';
import {
  growerHash,
  growerKey,
  hasPythonYaml,
  makeSet,
  orchardNode,
  orchardPlan,
  readAsPython,
  textOf,
} from './orchard.ts';

const nothing = { userData: null, metaData: null, networkConfig: null };
const python = describe.skipIf(!hasPythonYaml());

python('user-data, read by PyYAML [skipped where python3-yaml is missing]', () => {
  const hostKey = makeHostKey('orchard-01');

  it('makes a user who logs in with a key alone', () => {
    const text = textOf(makeSet(), 'user-data');
    expect(text.split('\n')[0]).toBe('#cloud-config');
    expect(text.split('\n')[1]).toBe('# cardwright: orchard-01 of orchard');
    expect(readAsPython(text)).toEqual({
      hostname: 'orchard-01',
      preserve_hostname: false,
      ssh_pwauth: false,
      users: [
        {
          name: 'grower',
          sudo: 'ALL=(ALL) NOPASSWD:ALL',
          lock_passwd: true,
          ssh_authorized_keys: [growerKey],
        },
      ],
    });
  });

  it('gives a password where the plan has a hash, and only then lets passwords in', () => {
    const plan = orchardPlan({ passwordHash: growerHash, authorizedKeys: [] });
    expect(readAsPython(textOf(makeSet({ plan }), 'user-data'))).toEqual({
      hostname: 'orchard-01',
      preserve_hostname: false,
      ssh_pwauth: true,
      users: [{ name: 'grower', sudo: 'ALL=(ALL:ALL) ALL', lock_passwd: false, hashed_passwd: growerHash }],
    });
  });

  it('puts in the host key byte for byte, and has the image’s own taken away', () => {
    const config = readAsPython(textOf(makeSet({ hostKey }), 'user-data'));
    expect(config.ssh_deletekeys).toBe(true);
    expect(config.ssh_keys).toEqual({
      ed25519_private: hostKey.privatePem,
      ed25519_public: hostKey.publicLine,
    });
  });

  it('says where it comes from, in one line', () => {
    const text = textOf(makeSet({ recordNote: 'record 14\nrm -rf: evil' }), 'user-data');
    expect(text.split('\n').slice(0, 3)).toEqual([
      '#cloud-config',
      '# cardwright: orchard-01 of orchard, record 14 rm -rf: evil',
      'hostname: "orchard-01"',
    ]);
  });

  // Things that readers of YAML 1.1 and 1.2 see differently, or that a careless writer loses.
  const stock = `#cloud-config
# Stock settings of the image.

# The name until somebody gives another.
hostname: node # short
fqdn: node.example.org
manage_etc_hosts: yes
write_files:
- path: /etc/motd
  permissions: 0644
  content: |
    Welcome.

      indented
- {path: /etc/x, permissions: '0600', content: !!binary aGVsbG8=, encoding: b64}
bootcmd: [[ sh, -c, "echo \\"a: b\\"" ], 'touch /x']
when: 2031-11-03
at: 22:22:11
ratio: 1.10
big: 12345678901234567890
nothing:
tilde: ~
base: &base {a: 1, "b": two}
more: {<<: *base, c: 3}
on: off
folded: >-
  one
  two

  three
password: letmein
chpasswd:
  expire: false
  users:
  - {name: grower, password: old, type: text}
  - {name: service, password: x, type: text}
ssh_pwauth: true

users:
- default
- name: grower
  uid: 1234 # fixed
  groups: [gpio, i2c]
  plain_text_passwd: letmein
  lock_passwd: false
  ssh-authorized-keys: [ssh-rsa AAAAold]
  ssh_import_id: ["somewhere:somebody"]
- name: service
  system: true

# Packages come last.
packages:
- htop
`;

  it('keeps everything else of the image’s own settings as it was', () => {
    const set = makeSet({ existing: { ...nothing, userData: stock } });
    const text = textOf(set, 'user-data');
    const [before, after] = [readAsPython(stock), readAsPython(text)];
    const ours = ['hostname', 'fqdn', 'preserve_hostname', 'users', 'ssh_pwauth', 'password', 'chpasswd'];
    const others = (config: Record<string, unknown>) =>
      Object.fromEntries(Object.entries(config).filter(([key]) => !ours.includes(key)));
    expect(others(after)).toEqual(others(before));
    expect(Object.keys(others(before)).length).toBeGreaterThan(12);
    for (const comment of ['# Stock settings of the image.', '# short', '# fixed', '# Packages come last.']) {
      expect(text).toContain(comment);
    }
    expect(text).toContain('# The name until somebody gives another.');
  });

  it('lets the node’s settings win, and lists what they took the place of', () => {
    const set = makeSet({ existing: { ...nothing, userData: stock } });
    const config = readAsPython(textOf(set, 'user-data'));
    expect(config).toMatchObject({
      hostname: 'orchard-01',
      preserve_hostname: false,
      ssh_pwauth: false,
      chpasswd: { expire: false, users: [{ name: 'service', password: 'x', type: 'text' }] },
    });
    expect(config).not.toHaveProperty('fqdn');
    expect(config).not.toHaveProperty('password');
    expect(config.users).toEqual([
      'default',
      {
        name: 'grower',
        uid: 1234,
        groups: ['gpio', 'i2c'],
        sudo: 'ALL=(ALL) NOPASSWD:ALL',
        lock_passwd: true,
        ssh_authorized_keys: [growerKey],
      },
      { name: 'service', system: true },
    ]);
    expect(set.replaced.sort()).toEqual([
      'chpasswd of grower',
      'fqdn',
      'hostname',
      'password',
      'ssh_pwauth',
      'users.grower.lock_passwd',
      'users.grower.plain_text_passwd',
      'users.grower.ssh-authorized-keys',
      'users.grower.ssh_import_id',
    ]);
    expect(set.findings).toEqual([
      {
        code: 'identity.image-access',
        severity: 'note',
        facts: { settings: 'user default, user service, chpasswd' },
      },
    ]);
  });

  it.each([
    ['a list of names', 'users: [default, grower]', ['default', expect.objectContaining({ name: 'grower' })]],
    ['names in one text', 'users: default, grower', ['default', expect.objectContaining({ name: 'grower' })]],
    ['nothing', 'users:', [expect.objectContaining({ name: 'grower' })]],
    ['an empty list', 'users: []', [expect.objectContaining({ name: 'grower' })]],
    [
      'the user twice',
      'users: [{name: grower, uid: 7}, {name: grower}]',
      [expect.objectContaining({ uid: 7 })],
    ],
  ])('makes users of %s', (_title, users, expected) => {
    const set = makeSet({ existing: { ...nothing, userData: `#cloud-config\n${users}\n` } });
    expect(readAsPython(textOf(set, 'user-data')).users).toEqual(expected);
  });

  it('takes our user out of old lists of passwords', () => {
    for (const list of [
      'list: "grower:x\\nservice:y"',
      'list: |\n    grower:x\n    service:y',
      'list: [grower:x, service:y]',
    ]) {
      const set = makeSet({ existing: { ...nothing, userData: `#cloud-config\nchpasswd:\n  ${list}\n` } });
      const { chpasswd } = readAsPython(textOf(set, 'user-data')) as {
        chpasswd: { list: string | string[] };
      };
      expect([chpasswd.list].flat().join('').trim()).toBe('service:y');
      expect(set.replaced).toContain('chpasswd of grower');
    }
  });

  it('changes nothing when made again for the same node, but the note', () => {
    const first = makeSet({ hostKey, recordNote: 'record 1', existing: { ...nothing, userData: stock } });
    const again = makeSet({
      hostKey,
      recordNote: 'record 2',
      existing: { ...nothing, userData: textOf(first, 'user-data') },
    });
    expect(again.replaced).toEqual([]);
    expect(textOf(again, 'user-data')).toBe(textOf(first, 'user-data').replace('record 1', 'record 2'));
  });

  it('reads Windows line ends and a byte order mark, and writes neither', () => {
    const userData = `\ufeff#cloud-config \r\n# note\r\npackages:\r\n- htop\r\n`;
    const text = textOf(makeSet({ existing: { ...nothing, userData } }), 'user-data');
    expect(text).not.toMatch(/\r|\ufeff/);
    expect(readAsPython(text).packages).toEqual(['htop']);
    expect(text).toContain('# note');
  });

  it.each(['', ' \n', '#cloud-config', '#cloud-config\n# only a comment\n', '#cloud-config\n---\n'])(
    'takes an empty file: %j',
    (userData) => {
      const text = textOf(makeSet({ existing: { ...nothing, userData } }), 'user-data');
      expect(readAsPython(text).hostname).toBe('orchard-01');
      if (userData.includes('only')) expect(text).toContain('# only a comment');
    },
  );

  it('says that the image’s own host keys are everybody’s', () => {
    const userData = '#cloud-config\nssh_keys: {ed25519_private: x}\n';
    const codes = (set: ReturnType<typeof makeSet>) => set.findings.map(({ code }) => code);
    expect(codes(makeSet({ existing: { ...nothing, userData } }))).toEqual(['identity.shared-host-keys']);
    const own = makeSet({ hostKey, existing: { ...nothing, userData } });
    expect([codes(own), own.replaced]).toEqual([[], ['ssh_keys']]);
  });
});

describe('user-data that nothing can be merged into', () => {
  it.each([
    ['a script', '#!/bin/sh\nreboot\n', /script/],
    ['a template', '## template: jinja\n#cloud-config\n', /template/],
    ['an include', '#include\nhttps://example.org/x\n', /points to other files/],
    ['several parts', 'Content-Type: multipart/mixed; boundary="x"\n', /several parts/],
    ['no header', 'hostname: x\n', /does not begin/],
    ['a header with more', '#cloud-config-archive\n- x\n', /does not begin/],
    ['broken YAML', '#cloud-config\nusers: [\n', /not proper YAML/],
    ['a list', '#cloud-config\n- a\n', /not a list of settings/],
    ['one setting twice', '#cloud-config\na: 1\na: 2\n', /not proper YAML/],
    ['two documents', '#cloud-config\na: 1\n---\nb: 2\n', /not proper YAML/],
    ['an anchor that goes', '#cloud-config\nhostname: &x node\nother: *x\n', /alias/i],
    ['too much', `#cloud-config\n# ${'x'.repeat(300_000)}\n`, /larger than/],
  ])('%s', (_title, userData, why) => {
    const set = makeSet({ existing: { ...nothing, userData } });
    expect(set.files).toEqual([]);
    expect(set.findings).toMatchObject([{ code: 'identity.unmergeable', severity: 'refuse' }]);
    expect(set.findings[0]?.facts.why).toMatch(why);
  });
});

python('meta-data and network-config, read by PyYAML [skipped where python3-yaml is missing]', () => {
  it('gives a new instance id, and puts the misspelt one right', () => {
    // The stock file of a widespread image has the underscore, which nothing reads.
    const metaData = '# stock\ninstance_id: node-image\ndsmode: local\n';
    const set = makeSet({ existing: { ...nothing, metaData } });
    expect(readAsPython(textOf(set, 'meta-data'))).toEqual({
      dsmode: 'local',
      'instance-id': 'orchard-01-6f1c',
      'local-hostname': 'orchard-01',
    });
    expect(textOf(set, 'meta-data')).toContain('# stock');
    expect(set.replaced).toEqual(['meta-data: instance_id']);
  });

  it('replaces meta-data that cannot be read', () => {
    const set = makeSet({ existing: { ...nothing, metaData: '{' } });
    expect(set.replaced).toEqual(['meta-data']);
    expect(readAsPython(textOf(set, 'meta-data'))['instance-id']).toBe('orchard-01-6f1c');
  });

  it('writes a static address', () => {
    const set = makeSet({ node: orchardNode({ address: '192.0.2.11/24' }) });
    expect(readAsPython(textOf(set, 'network-config'))).toEqual({
      version: 2,
      ethernets: {
        eth0: {
          match: { name: 'e*' },
          dhcp4: false,
          addresses: ['192.0.2.11/24'],
          routes: [{ to: '0.0.0.0/0', via: '192.0.2.1' }],
          nameservers: { addresses: ['192.0.2.1', '192.0.2.2'] },
        },
      },
    });
  });

  it('writes an IPv6 address with a route of its own family, and none through the other', () => {
    const node = orchardNode({ address: '2001:db8::11/64' });
    const six = makeSet({
      node,
      plan: orchardPlan({}, { network: { gateway: '2001:db8::1', nameservers: [] } }),
    });
    const { eth0 } = readAsPython(textOf(six, 'network-config')).ethernets as { eth0: object };
    expect(eth0).toMatchObject({
      addresses: ['2001:db8::11/64'],
      routes: [{ to: '::/0', via: '2001:db8::1' }],
    });
    expect(textOf(makeSet({ node }), 'network-config')).not.toContain('routes');
  });

  it('asks DHCP where the plan has no address', () => {
    expect(readAsPython(textOf(makeSet(), 'network-config'))).toEqual({
      version: 2,
      ethernets: { eth0: { match: { name: 'e*' }, dhcp4: true } },
    });
  });

  it.each([
    'version: 2\nwifis: {wlan0: {dhcp4: yes}}\n',
    'network:\n  version: 2\n  wifis: {wlan0: {dhcp4: yes}}\n',
  ])('keeps the image’s wireless settings: %j', (networkConfig) => {
    const set = makeSet({ existing: { ...nothing, networkConfig } });
    const config = readAsPython(textOf(set, 'network-config'));
    expect(config.wifis).toEqual({ wlan0: { dhcp4: true } });
    expect(config.ethernets).toHaveProperty('eth0');
    expect(set.replaced).toEqual(['network-config: all but wifis']);
    expect(set.files.find(({ path }) => path === 'network-config')?.secret).toBe(true);
  });

  it.each([
    'version: 1\nconfig: []\n',
    'version: 2\nwifis: {w: *x}\na: &x {}\n',
    '{',
    'version: 2\nbonds: {}\n',
  ])('replaces other network settings, and says so: %j', (networkConfig) => {
    const set = makeSet({ existing: { ...nothing, networkConfig } });
    expect(set.replaced).toEqual(['network-config']);
    expect(Object.keys(readAsPython(textOf(set, 'network-config')))).toEqual(['version', 'ethernets']);
  });

  it('holds the network settings of its own first writing for unchanged', () => {
    const networkConfig = textOf(makeSet(), 'network-config');
    expect(makeSet({ existing: { ...nothing, networkConfig } }).replaced).toEqual([]);
  });
});

describeWith(
  ['program:cloud-init', 'program:netplan'],
  'beside cloud-init and netplan',
  { timeoutMs: 120_000 },
  () => {
    let folder: string;
    beforeAll(() => {
      folder = mkdtempSync(join(tmpdir(), 'cardwright-seed-'));
    });
    afterAll(() => rmSync(folder, { recursive: true, force: true }));

    const schema = (userData: string) => {
      writeFileSync(join(folder, 'user-data'), userData);
      const { status, stdout, stderr } = spawnSync('cloud-init', ['schema', '-c', 'user-data'], {
        cwd: folder,
        encoding: 'utf8',
      });
      return { status, said: stdout + stderr };
    };

    it('user-data holds to the schema', () => {
      const hostKey = makeHostKey('orchard-01');
      const key = makeSet({ hostKey });
      const password = makeSet({ plan: orchardPlan({ passwordHash: growerHash }) });
      for (const set of [key, password]) {
        expect(schema(textOf(set, 'user-data'))).toEqual({
          status: 0,
          said: 'Valid cloud-config: user-data\n',
        });
      }
      expect(schema('#cloud-config\nhostname: 12\n').status).not.toBe(0);
    });

    it('cloud-init itself sees one user, with the key, locked or with the hash', () => {
      const program = `
import json, sys, yaml
from cloudinit import distros, helpers
from cloudinit.distros import ug_util
cfg = yaml.safe_load(sys.stdin.read())
distro = distros.fetch('debian')('debian', {}, helpers.Paths({}))
users, groups = ug_util.normalize_users_groups(cfg, distro)
print(json.dumps({'users': users}))`;
      const seen = (text: string) =>
        JSON.parse(execFileSync('/usr/bin/python3', ['-c', program], { input: text, encoding: 'utf8' }))
          .users;
      expect(seen(textOf(makeSet(), 'user-data'))).toEqual({
        grower: expect.objectContaining({ lock_passwd: true, ssh_authorized_keys: [growerKey] }),
      });
      const set = makeSet({ plan: orchardPlan({ passwordHash: growerHash }) });
      expect(seen(textOf(set, 'user-data')).grower).toMatchObject({
        lock_passwd: false,
        hashed_passwd: growerHash,
      });
    });

    const convert = (networkConfig: string, kind: string): string => {
      const target = mkdtempSync(join(folder, 'net-'));
      writeFileSync(join(target, 'network-config'), networkConfig);
      const args = [
        'devel',
        'net-convert',
        '-p',
        'network-config',
        '-k',
        'yaml',
        '-D',
        'debian',
        '-O',
        kind,
        '-d',
        'out',
      ];
      execFileSync('cloud-init', args, { cwd: target, stdio: 'pipe' });
      const files = readdirSync(join(target, 'out'), { recursive: true, withFileTypes: true }).filter((f) =>
        f.isFile(),
      );
      return files.map((f) => readFileSync(join(f.parentPath, f.name), 'utf8')).join('\n');
    };

    it('a static address comes through every renderer', () => {
      const text = textOf(makeSet({ node: orchardNode({ address: '192.0.2.11/24' }) }), 'network-config');
      expect(convert(text, 'netplan')).toMatch(/192\.0\.2\.11\/24[\s\S]*name: e\*[\s\S]*via: 192\.0\.2\.1/);
      const eni = convert(text, 'eni');
      expect(eni).toMatch(/iface eth0 inet static\s+address 192\.0\.2\.11\/24/);
      expect(eni).toMatch(/route add (default|-net 0\.0\.0\.0).* gw 192\.0\.2\.1/);
      expect(convert(text, 'networkd')).toMatch(/Address=192\.0\.2\.11\/24[\s\S]*Gateway=192\.0\.2\.1/);
    });

    it('DHCP comes through every renderer', () => {
      const text = textOf(makeSet(), 'network-config');
      expect(convert(text, 'netplan')).toMatch(/dhcp4: true[\s\S]*name: e\*/);
      expect(convert(text, 'eni')).toContain('iface eth0 inet dhcp');
      expect(convert(text, 'networkd')).toMatch(/DHCP=ipv4/);
    });

    it('netplan takes what cloud-init hands it, and matches every wired port', () => {
      const text = textOf(makeSet({ node: orchardNode({ address: '192.0.2.11/24' }) }), 'network-config');
      const root = mkdtempSync(join(folder, 'root-'));
      mkdirSync(join(root, 'etc/netplan'), { recursive: true });
      writeFileSync(join(root, 'etc/netplan/50-cloud-init.yaml'), convert(text, 'netplan'), { mode: 0o600 });
      execFileSync('netplan', ['generate', '--root-dir', root], { stdio: 'pipe' });
      const unit = readFileSync(join(root, 'run/systemd/network/10-netplan-eth0.network'), 'utf8');
      expect(unit).toMatch(/\[Match\]\nName=e\*\n/);
      expect(unit).toMatch(/Address=192\.0\.2\.11\/24/);
      expect(unit).toMatch(/Destination=0\.0\.0\.0\/0\nGateway=192\.0\.2\.1/);
      expect(unit).toMatch(/DNS=192\.0\.2\.1\nDNS=192\.0\.2\.2/);
    });
  },
);
