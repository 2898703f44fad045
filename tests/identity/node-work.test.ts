/** What the node is told to be and to do at its first boot, read by PyYAML as the node reads it. */
import { execFileSync } from 'node:child_process';
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { describe, expect, it } from 'vitest';
import type { PlanAccess } from '../../src/contract/plan.ts';
import type { NodeFileParts } from '../../src/identity/make-node-files.ts';
import type { FirstBootFile } from '../../src/identity/nocloud/first-boot-files.ts';
import { radioCommand } from '../../src/identity/nocloud/radio.ts';
import { localeCommands } from '../../src/identity/nocloud/system-settings.ts';
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
const { network } = orchardPlan();
const python = describe.skipIf(!hasPythonYaml());

const withImage = (userData: string | null, changes: Partial<NodeFileParts> = {}) =>
  makeSet({ ...changes, existing: { ...nothing, userData } });
const configOf = (set: ReturnType<typeof makeSet>) => readAsPython(textOf(set, 'user-data'));

python('the node’s name [skipped where python3-yaml is missing]', () => {
  const inDomain = orchardPlan({}, { network: { ...network, domain: 'orchard.example.org' } });

  it('is short for the system and whole beside it, where the plan has a domain', () => {
    // cloud-init, module set_hostname: some systems take fqdn for the name unless they are told not to.
    expect(configOf(makeSet({ plan: inDomain }))).toMatchObject({
      hostname: 'orchard-01',
      fqdn: 'orchard-01.orchard.example.org',
      prefer_fqdn_over_hostname: false,
      manage_etc_hosts: 'localhost',
    });
  });

  it.each([
    ['manage_etc_hosts: true', true, []],
    ['manage_etc_hosts: localhost', 'localhost', []],
    ['manage_etc_hosts: no', 'localhost', ['manage_etc_hosts']],
    ['manage_etc_hosts:', 'localhost', ['manage_etc_hosts']],
    ['packages: []', 'localhost', []],
  ])(
    'is in /etc/hosts, and a file that the image manages as a whole stays so: %s',
    (line, value, replaced) => {
      const set = withImage(`#cloud-config\n${line}\n`);
      expect(configOf(set).manage_etc_hosts).toBe(value);
      expect(set.replaced).toEqual(replaced);
    },
  );

  it('is searched for in its domain, with an address of its own and without', () => {
    for (const address of ['192.0.2.11/24', null]) {
      const set = makeSet({ plan: inDomain, node: orchardNode({ address }) });
      const { ethernets } = readAsPython(textOf(set, 'network-config')) as {
        ethernets: { eth0: { nameservers: object } };
      };
      expect(ethernets.eth0.nameservers).toEqual({
        search: ['orchard.example.org'],
        ...(address === null ? {} : { addresses: network.nameservers }),
      });
    }
  });
});

python('how the user becomes root [skipped where python3-yaml is missing]', () => {
  const userOf = (access: Partial<PlanAccess>, userData: string | null = null) => {
    const { users } = configOf(withImage(userData, { plan: orchardPlan(access) }));
    return (users as Record<string, unknown>[])[0];
  };

  // sudoers(5): a rule without NOPASSWD asks for the user's password.
  it.each([
    ['free', null, 'ALL=(ALL) NOPASSWD:ALL'],
    ['free', growerHash, 'ALL=(ALL) NOPASSWD:ALL'],
    ['password', growerHash, 'ALL=(ALL:ALL) ALL'],
    ['none', growerHash, undefined],
    ['none', null, undefined],
  ] as const)('%s, password hash %s', (sudo, passwordHash, rule) => {
    expect(userOf({ sudo, passwordHash })?.sudo).toBe(rule);
  });

  it.each([
    ['groups: [gpio, sudo]', ['gpio']],
    ['groups: "gpio, sudo,i2c"', 'gpio,i2c'],
    ['groups: sudo', undefined],
    ['groups: [wheel]', undefined],
    ['groups: {sudo: , gpio: }', { gpio: null }],
    ['uid: 7', undefined],
  ])('not at all, whatever the image gave: %s', (groups, left) => {
    const userData = `#cloud-config\nusers:\n- name: grower\n  sudo: ["ALL=(ALL) ALL"]\n  doas: [permit]\n  ${groups}\n`;
    const user = userOf({ sudo: 'none' }, userData);
    expect(user?.groups).toEqual(left);
    expect(user).not.toHaveProperty('sudo');
    expect(user).not.toHaveProperty('doas');
    expect(userOf({ sudo: 'free' }, userData)).toMatchObject({ sudo: 'ALL=(ALL) NOPASSWD:ALL' });
  });
});

const gate: FirstBootFile = {
  path: '/etc/orchard/gate.conf',
  content: Buffer.from([0, 1, 0xff, 0x0a, 0x0d, 0x23]),
  mode: '640',
  owner: 'root:root',
};
const mine: FirstBootFile = {
  path: '/home/grower/hello.txt',
  content: Buffer.alloc(0),
  mode: '0600',
  owner: 'grower:grower',
};

python('files and commands of the first boot [skipped where python3-yaml is missing]', () => {
  it('go in byte for byte, and wait for users where they belong to one', () => {
    const content = Buffer.alloc(1000, 'a line of the orchard\n');
    const set = makeSet({ firstBootFiles: [gate, mine, { ...gate, path: '/etc/long', content }] });
    const common = { encoding: 'b64' };
    expect(configOf(set).write_files).toEqual([
      {
        ...common,
        path: gate.path,
        content: 'AAH/Cg0j\n',
        owner: 'root:root',
        // decode_perms of cloud-init's cc_write_files: octal where it is text
        permissions: '0640',
      },
      { ...common, path: mine.path, content: '', owner: 'grower:grower', permissions: '0600', defer: true },
      { ...common, path: '/etc/long', content: expect.any(String), owner: 'root:root', permissions: '0640' },
    ]);
    // RFC 2045 section 6.8: lines of at most 76 characters.
    const lines = (configOf(set).write_files as { content: string }[])[2]?.content.split('\n') ?? [];
    expect(Math.max(...lines.map((line) => line.length))).toBe(76);
    expect(Buffer.from(lines.join(''), 'base64').equals(content)).toBe(true);
  });

  const stock = `#cloud-config
# Before all.
write_files:
# The first.
- {path: /etc/motd, content: Welcome}
- path: /etc/orchard/gate.conf # theirs
  append: true
  content: x
runcmd:
# Theirs.
- [touch, /a]
- echo 'b'
# The end.
`;
  const commands = ['systemctl enable --now gate', `echo "it's" > /x; exit 3`];
  const node = orchardNode({ firstBoot: { files: [], commands } });
  const ours = commands.map((command) => ['sh', '-c', command, 'cardwright']);

  it('come behind the image’s own, whose files of the same name go', () => {
    const set = withImage(stock, { node, firstBootFiles: [gate] });
    const config = configOf(set);
    expect(config.runcmd).toEqual([['touch', '/a'], "echo 'b'", ...ours]);
    expect(config.write_files).toEqual([
      { path: '/etc/motd', content: 'Welcome' },
      expect.objectContaining({ path: gate.path, encoding: 'b64' }),
    ]);
    expect(set.replaced).toEqual(['write_files: /etc/orchard/gate.conf']);
    const text = textOf(set, 'user-data');
    for (const comment of ['# Before all.', '# The first.', '# Theirs.', '# The end.'])
      expect(text).toContain(comment);
  });

  it('do not add up when they are put in again, nor stay when they are no longer asked for', () => {
    const plan = orchardPlan({}, { system: { timezone: 'Europe/Madrid', locale: 'en_GB.UTF-8' } });
    const parts = { plan, node, firstBootFiles: [gate, mine], firstBootFixes: ['true'] };
    const once = withImage(stock, parts);
    const twice = withImage(textOf(once, 'user-data'), parts);
    expect(textOf(twice, 'user-data')).toBe(textOf(once, 'user-data'));
    expect(twice.replaced).toEqual([]);
    // As if they had never been there, but for what they took the place of.
    const without = withImage(textOf(once, 'user-data'));
    const never = withImage(stock.replace(/^- path: .*\n.*\n.*\n/m, ''));
    expect(configOf(without)).toEqual(configOf(never));
    expect(configOf(withImage(textOf(withImage(null, parts), 'user-data')))).toEqual(
      configOf(withImage(null)),
    );
  });

  it('do not let another plan’s user in again', () => {
    const other = orchardPlan({ user: 'picker', authorizedKeys: [growerKey] });
    const set = withImage(textOf(withImage(null, { plan: other }), 'user-data'));
    expect((configOf(set).users as { name: string }[]).map(({ name }) => name)).toEqual(['grower']);
    expect(set.findings).toEqual([]);
  });

  it('are run by a shell each, so that none ends those after it', () => {
    const folder = fs.mkdtempSync(path.join(os.tmpdir(), 'cardwright-run-'));
    try {
      const lines = [
        'echo one >> out; exit 3',
        'cd /; x=1',
        `echo "it's $0 $x" >> out`,
        "printf '%s' 'a\nb' >> out",
      ];
      const own = orchardNode({ firstBoot: { files: [], commands: lines } });
      // As cloud-init makes one script of them (cloudinit/util.py, shellify: every word of a list in quotes).
      const quote = (word: string) => `'${word.replaceAll("'", "'\\''")}'`;
      const script = (configOf(makeSet({ node: own })).runcmd as string[][])
        .map((words) => words.map(quote).join(' '))
        .join('\n');
      execFileSync('sh', ['-c', script], { cwd: folder });
      expect(fs.readFileSync(path.join(folder, 'out'), 'utf8')).toBe("one\nit's cardwright \na\nb");
    } finally {
      fs.rmSync(folder, { recursive: true });
    }
  });

  it('make folders at home the user’s own, where they were made for a file', () => {
    const at = (where: string, owner = 'grower:grower') => ({ ...mine, path: where, owner });
    const files = [
      at("/home/grower/.config/it's/x"),
      at('/home/grower/.config/y'),
      at('/home/grower/z'),
      at('/home/picker/a/b', 'root:root'),
      at('/srv/orchard/c'),
    ];
    const set = makeSet({ firstBootFiles: files, node });
    const own = (configOf(set).runcmd as string[][]).map(([, , command]) => command);
    expect(own.slice(0, -2)).toEqual([
      `[ "$(stat -c %U '/home/grower/.config')" != root ] || chown -h grower:grower '/home/grower/.config'`,
      `[ "$(stat -c %U '/home/grower/.config/it'\\''s')" != root ] || chown -h grower:grower '/home/grower/.config/it'\\''s'`,
    ]);
    expect(own.slice(-2)).toEqual(commands);
    for (const command of own.slice(0, -2)) execFileSync('sh', ['-n', '-c', command ?? '']);
  });

  it('show nothing of what they hold in what is said about them', () => {
    const secret = { ...gate, content: Buffer.from('gate code 4711') };
    const { network } = orchardPlan();
    const wifi = { name: 'orchard', key: 'c0de'.repeat(16), country: 'ES', hidden: false };
    const parts = {
      plan: orchardPlan({ passwordHash: growerHash }, { network: { ...network, wifi } }),
      node: { ...node, link: 'wifi' as const },
      firstBootFiles: [secret],
    };
    const first = withImage(stock, parts);
    const broken = textOf(first, 'user-data').replace('encoding:', 'encoding: [');
    const existing = { ...nothing, networkConfig: textOf(first, 'network-config') };
    const said = [
      first,
      withImage(textOf(first, 'user-data'), { ...parts, firstBootFiles: [mine] }),
      withImage(broken, parts),
      makeSet({ existing }),
    ].map(({ findings, replaced, remove }) => JSON.stringify([findings, replaced, remove]));
    expect(said[2]).toContain('identity.unmergeable');
    for (const text of said) expect(text).not.toMatch(/4711|Z2F0ZSBjb2Rl|c0dec0de|svn8UoSV/);
    expect(first.files.filter(({ secret: isSecret }) => isSecret).map(({ path }) => path)).toEqual([
      'user-data',
      'network-config',
    ]);
  });

  it('set clock and language', () => {
    const plan = orchardPlan({}, { system: { timezone: 'Europe/Madrid', locale: 'en_GB.UTF-8' } });
    expect(configOf(makeSet({ plan }))).toMatchObject({ timezone: 'Europe/Madrid', locale: 'en_GB.UTF-8' });
    const set = withImage('#cloud-config\ntimezone: UTC # theirs\n', { plan });
    expect(set.replaced).toEqual(['timezone']);
    expect(textOf(set, 'user-data')).toContain('timezone: "Europe/Madrid" # theirs');
  });
});

/** cloud-init's own program runs the rest of its words, once for each node (module bootcmd). */
function runOnce(command: string, name: string): void {
  const once = `cloud-init-per instance ${name} `;
  expect(command.startsWith(once)).toBe(true);
  execFileSync('sh', ['-ec', command.slice(once.length)]);
}

describe('the command for locales', () => {
  it('enters the locale into the list of those that are made, once, as the system knows it', () => {
    const folder = fs.mkdtempSync(path.join(os.tmpdir(), 'cardwright-locale-'));
    const files = { list: path.join(folder, 'locale.gen'), known: path.join(folder, 'SUPPORTED') };
    const enter = (locale: string) => {
      for (const command of localeCommands(locale, files)) runOnce(command, 'cardwright-locale');
      return fs.existsSync(files.list) ? fs.readFileSync(files.list, 'utf8') : null;
    };
    try {
      expect(enter('en_GB.UTF-8')).toBeNull();
      const list = '# en_GB.UTF-8 UTF-8\nes_ES.UTF-8 UTF-8\n';
      fs.writeFileSync(files.list, list);
      expect(enter('en_GB.UTF-8')).toBe(list);
      fs.writeFileSync(
        files.known,
        'en_GB ISO-8859-1\nen_GBxUTF-8 X\nen_GB.UTF-8 UTF-8\nes_ES.UTF-8 UTF-8\n',
      );
      expect(enter('es_ES.UTF-8')).toBe(list);
      expect(enter('en_GB.UTF-8')).toBe(`${list}en_GB.UTF-8 UTF-8\n`);
      expect(enter('en_GB.UTF-8')).toBe(`${list}en_GB.UTF-8 UTF-8\n`);
      expect(enter('no_WHERE.UTF-8')).toBe(`${list}en_GB.UTF-8 UTF-8\n`);
      expect(localeCommands('C.UTF-8')).toEqual([]);
    } finally {
      fs.rmSync(folder, { recursive: true });
    }
  });
});

describe('the command for radios', () => {
  it('switches on wireless networks and nothing else (sysfs-class-rfkill: type, soft)', () => {
    const folder = fs.mkdtempSync(path.join(os.tmpdir(), 'cardwright-radio-'));
    try {
      for (const [name, type] of [
        ['rfkill0', 'bluetooth'],
        ['rfkill1', 'wlan'],
      ] as const) {
        fs.mkdirSync(path.join(folder, name));
        fs.writeFileSync(path.join(folder, name, 'type'), `${type}\n`);
        fs.writeFileSync(path.join(folder, name, 'soft'), '1\n');
      }
      const run = (radios: string) => runOnce(radioCommand(radios), 'cardwright-radio');
      run(`${folder}/*`);
      const soft = (name: string) => fs.readFileSync(path.join(folder, name, 'soft'), 'utf8').trim();
      expect([soft('rfkill0'), soft('rfkill1')]).toEqual(['1', '0']);
      // A computer without radios.
      run(`${folder}/none/*`);
    } finally {
      fs.rmSync(folder, { recursive: true });
    }
  });
});
