import { describe, expect, it } from 'vitest';
import { makeHostKey } from '../../src/identity/keys/host-key.ts';
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
  const rsaKey = makeHostKey('orchard-01', 'rsa');

  it('makes a user who logs in with a key alone', () => {
    const text = textOf(makeSet(), 'user-data');
    expect(text.split('\n')[0]).toBe('#cloud-config');
    expect(text.split('\n')[1]).toBe('# cardwright: orchard-01 of orchard');
    expect(readAsPython(text)).toEqual({
      hostname: 'orchard-01',
      preserve_hostname: false,
      manage_etc_hosts: 'localhost',
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

  it.each([true, false])('gives a password where the plan has a hash; over SSH, too: %s', (sshPassword) => {
    const plan = orchardPlan({ passwordHash: growerHash, authorizedKeys: [], sshPassword });
    expect(readAsPython(textOf(makeSet({ plan }), 'user-data'))).toMatchObject({
      ssh_pwauth: sshPassword,
      users: [{ name: 'grower', lock_passwd: false, hashed_passwd: growerHash }],
    });
  });

  it('puts in the host key byte for byte, and has the image’s own taken away', () => {
    const config = readAsPython(textOf(makeSet({ hostKeys: [hostKey, rsaKey] }), 'user-data'));
    expect(config.ssh_deletekeys).toBe(true);
    expect(config.ssh_keys).toEqual({
      ed25519_private: hostKey.privatePem,
      ed25519_public: hostKey.publicLine,
      rsa_private: rsaKey.privatePem,
      rsa_public: rsaKey.publicLine,
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
    const first = makeSet({
      hostKeys: [hostKey],
      recordNote: 'record 1',
      existing: { ...nothing, userData: stock },
    });
    const again = makeSet({
      hostKeys: [hostKey],
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
    const own = makeSet({ hostKeys: [hostKey], existing: { ...nothing, userData } });
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
    ['too much', `#cloud-config\n# ${'x'.repeat(2 ** 20)}\n`, /larger than/],
    ['signs that the reader stops at', '#cloud-config\na: "\u0085"\n', /control characters/],
    ['commands that are no list', '#cloud-config\nruncmd: reboot\n', /its runcmd is not a list/],
    ['files that are no list', '#cloud-config\nwrite_files: {}\n', /its write_files is not a list/],
  ])('%s', (_title, userData, why) => {
    const firstBoot = { files: [], commands: ['true'] };
    const firstBootFiles = [{ path: '/x', content: Buffer.alloc(1), mode: '0644', owner: 'root:root' }];
    const set = makeSet({
      existing: { ...nothing, userData },
      node: orchardNode({ firstBoot }),
      firstBootFiles,
    });
    expect(set.files).toEqual([]);
    expect(set.findings).toMatchObject([{ code: 'identity.unmergeable', severity: 'refuse' }]);
    expect(set.findings[0]?.facts.why).toMatch(why);
  });
});
