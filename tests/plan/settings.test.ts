import { describe, expect, it } from 'vitest';
import { changed, fs, goodPlan, helloHash, mistakesOf, read } from './sample.ts';

const key = 'f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e';
/** The good plan with lines put before its nodes. */
const plus = (lines: string) => changed('nodes:', `${lines}\nnodes:`);
const wifi = (text: string) => changed('network: {', `network: { wifi: { ${text} },`);
const node = (text: string) => changed('role: gate', text);

describe('settings of a plan', () => {
  it('come for the set and for each node, the node’s after and in place of the set’s', async () => {
    const plan = await read(
      changed(
        'nodes:',
        [
          'files: { extra.txt: files/extra.txt, all.txt: files/extra.txt }',
          'boot: { kernelLine: { add: [cgroup_enable=memory], remove: [quiet] }, firmware: [gpu_mem=16] }',
          'firstBoot: { files: [{ path: /etc/a, from: files/extra.txt }], commands: [date] }',
          'system: { timezone: Europe/Madrid, locale: en_GB.UTF-8 }',
          'seedVolume: far-end',
          'hostKeyTypes: [rsa, ed25519, rsa]',
          'hostKeyFolder: keys/hosts',
          'nodes:',
        ].join('\n'),
      )
        .replace(
          'role: gate, files:',
          [
            'templates: { EXTRA.txt: files/extra.txt }, variables: { row: "7" },',
            'boot: { kernelLine: { add: [cgroup_enable=memory, isolcpus=3] } },',
            'firstBoot: { files: [{ path: /etc/a, from: files/extra.txt, mode: "0600", template: true }], commands: [uptime] },',
            'role: gate, link: wired, files:',
          ].join(' '),
        )
        .replace('files: { extra.txt: files/extra.txt } }', 'files: { b/c.txt: files/extra.txt } }'),
    );
    const source = '/orchard/files/extra.txt';
    expect(plan).toMatchObject({
      system: { timezone: 'Europe/Madrid', locale: 'en_GB.UTF-8' },
      seedVolume: 'far-end',
      hostKeyTypes: ['rsa', 'ed25519'],
      hostKeyFolder: '/orchard/keys/hosts',
    });
    expect(plan.nodes[1]).toEqual({
      name: 'orchard-02',
      slot: 'A2',
      role: 'gate',
      address: null,
      link: 'wired',
      variables: { row: '7' },
      files: [
        { path: 'EXTRA.txt', source, template: true },
        { path: 'all.txt', source, template: false },
        { path: 'b/c.txt', source, template: false },
      ],
      boot: {
        kernelLine: { add: ['cgroup_enable=memory', 'isolcpus=3'], remove: ['quiet'] },
        firmware: ['gpu_mem=16'],
      },
      firstBoot: {
        files: [{ path: '/etc/a', source, mode: '0600', owner: 'root:root', template: true }],
        commands: ['date', 'uptime'],
      },
    });
    expect(plan.nodes[0]?.firstBoot).toEqual({
      files: [{ path: '/etc/a', source, mode: '0644', owner: 'root:root', template: false }],
      commands: ['date'],
    });
  });

  it('link every node to the wireless network where there is one, unless a node says otherwise', async () => {
    const text = wifi(`name: Orchard, key: ${key.toUpperCase()}, country: ES`);
    const plan = await read(text.replace('role: gate', 'link: wired'));
    expect(plan.network.wifi).toEqual({ name: 'Orchard', key, country: 'ES', hidden: false });
    expect(plan.nodes.map(({ link }) => link)).toEqual(['wifi', 'wired']);
  });

  it('derive the key from the phrase in a file that nobody else can read', async () => {
    // IEEE 802.11-2020, annex J.4.2, test case 1.
    fs.writeFileSync('/orchard/phrase', 'password\n', { mode: 0o600 });
    const plan = await read(wifi('name: IEEE, phraseFile: phrase, country: ES, hidden: true'));
    expect(plan.network.wifi).toEqual({ name: 'IEEE', key, country: 'ES', hidden: true });
  });

  it.each([
    [
      'that others can read',
      'apples and pears',
      0o640,
      'phraseFile of wifi, phrase-2, will not do: others can read it',
    ],
    ['that is too short', 'apples', 0o600, 'it has 6 bytes'],
    ['that is another file', 'apples '.repeat(60), 0o600, 'the file has 420 bytes'],
  ])('take no phrase %s', async (_what, phrase, mode, said) => {
    fs.writeFileSync('/orchard/phrase-2', phrase);
    fs.chmodSync('/orchard/phrase-2', mode);
    const told = await mistakesOf(wifi('name: Orchard, phraseFile: phrase-2, country: ES'));
    expect(told).toEqual([expect.stringContaining(said)]);
    expect(told.join()).not.toContain('apples');
  });

  it('let a password in over SSH where it is the only way, or when the plan says so', async () => {
    const only = `passwordHash: '${helloHash}'`;
    const both = `authorizedKeys: [keys/grower.pub], ${only}`;
    const accessOf = async (access: string) => (await read(changed(/authorizedKeys: [^}]*/, access))).access;
    expect(await accessOf(only)).toMatchObject({ sshPassword: true, sudo: 'free' });
    expect(await accessOf(both)).toMatchObject({ sshPassword: false });
    expect(await accessOf(`${both}, sshPassword: true, sudo: password`)).toMatchObject({
      sshPassword: true,
      sudo: 'password',
    });
  });
});

describe('a mistake in a setting', () => {
  it.each<[string, string, string]>([
    [
      'a zone nobody knows',
      plus('system: { timezone: Europe/Orchard }'),
      'timezone will not do: no such zone',
    ],
    ['a zone in small letters', plus('system: { timezone: europe/madrid }'), 'it is written Europe/Madrid'],
    ['an offset for a zone', plus('system: { timezone: "+01:00" }'), 'no such zone is known'],
    ['a locale with a blank', plus('system: { locale: "en GB" }'), 'locale will not do'],
    [
      'a domain with a number',
      changed('network: {', 'network: { domain: a.12,'),
      'domain will not do: its part "12"',
    ],
    ['a domain without end', changed('network: {', 'network: { domain: a..b,'), 'its part "" is empty'],
    [
      'a phrase for a key',
      wifi('name: Orchard, key: apples and pears, country: ES'),
      'key of wifi will not do: it is not 64',
    ],
    ['no key', wifi('name: Orchard, country: ES'), 'The key key (or phraseFile) is missing in wifi'],
    ['key and phrase', wifi(`name: Orchard, key: ${key}, phraseFile: x, country: ES`), 'there is a key, too'],
    ['no country', wifi(`name: Orchard, key: ${key}`), 'The key country is missing in network'],
    [
      'a country in small letters',
      wifi(`name: Orchard, key: ${key}, country: es`),
      'it is not two capital letters',
    ],
    [
      'a country that is none',
      wifi(`name: Orchard, key: ${key}, country: ZZ`),
      'no country has these letters',
    ],
    [
      'a long name of a network',
      wifi(`name: ${'ñ'.repeat(17)}, key: ${key}, country: ES`),
      'it has 34 bytes',
    ],
    ['a radio without network', node('link: wifi'), '8:43 plan.no-wifi'],
    ['two words in an argument', plus('boot: { kernelLine: { add: ["a b"] } }'), 'it has blanks'],
    [
      'another root',
      plus('boot: { kernelLine: { add: [root=/dev/sda2] } }'),
      'root decides whether the card starts',
    ],
    ['no root', plus('boot: { kernelLine: { remove: [root=] } }'), 'root decides whether'],
    ['another name', node('boot: { kernelLine: { add: [systemd.hostname=x] } }'), 'systemd.hostname decides'],
    ['a heading', plus('boot: { firmware: ["[all]"] }'), 'it is a heading or a comment'],
    ['two lines in one', plus('boot: { firmware: ["a=1\\nb=2"] }'), 'it has line breaks'],
    [
      'an unknown key deep down',
      plus('boot: { kernelLine: { ad: [quiet] } }'),
      'There is no key ad in boot (did you mean add?)',
    ],
    [
      'a file in no place',
      plus('firstBoot: { files: [{ path: etc/a, from: files/extra.txt }] }'),
      'it does not begin with a slash',
    ],
    [
      'a file that climbs',
      plus('firstBoot: { files: [{ path: /etc/../a, from: files/extra.txt }] }'),
      'it has dots',
    ],
    [
      'a file that is not there',
      plus('firstBoot: { files: [{ path: /a, from: files/none }] }'),
      'plan.missing-file from in firstBoot: files/none',
    ],
    [
      'a mode of nine',
      plus('firstBoot: { files: [{ path: /a, from: files/extra.txt, mode: "0999" }] }'),
      'three octal digits',
    ],
    [
      'a mode without quotes',
      plus('firstBoot: { files: [{ path: /a, from: files/extra.txt, mode: 0644 }] }'),
      'must be text, not a number',
    ],
    [
      'an owner alone',
      plus('firstBoot: { files: [{ path: /a, from: files/extra.txt, owner: root }] }'),
      'it is not a user and a group',
    ],
    [
      'a file twice',
      plus(
        'firstBoot: { files: [{ path: /a, from: files/extra.txt }, { path: /a, from: files/extra.txt }] }',
      ),
      'plan.duplicate-node-file',
    ],
    [
      'an empty command',
      plus('firstBoot: { commands: [" "] }'),
      'commands in firstBoot will not do: it is empty',
    ],
    ['a variable with a hyphen', node('variables: { row-one: x }'), 'The name row-one in node orchard-02'],
    [
      'a file and a template of one name',
      node('templates: { EXTRA.TXT: files/extra.txt }'),
      'plan.duplicate-file-name',
    ],
    ['a kind of key that is none', plus('hostKeyTypes: [dsa]'), 'hostKeyTypes in the plan cannot be dsa'],
    ['no kind of key', plus('hostKeyTypes: []'), 'The key hostKeyTypes in the plan has no value'],
    ['a folder for keys of the image', plus('hostKeys: image\nhostKeyFolder: keys'), 'plan.no-keys-made'],
    [
      'a password over SSH that is none',
      changed('user: grower', 'user: grower, sshPassword: true'),
      'plan.needs-password',
    ],
    [
      'a password for root that is none',
      changed('user: grower', 'user: grower, sudo: password'),
      'plan.needs-password',
    ],
  ])('is told for %s', async (_what, plan, said) => {
    const told = await mistakesOf(plan);
    expect(told).toHaveLength(1);
    expect(told[0]).toContain(said);
    expect(told.join()).not.toContain('apples');
  });

  it('in a template is told once, where the plan names it, before any card is made', async () => {
    fs.writeFileSync('/orchard/files/bad.txt', 'row {{ node.variables.row }}\n');
    expect(await mistakesOf(plus('templates: { row.txt: files/bad.txt }'))).toEqual([
      expect.stringMatching(
        /^6:23 plan.bad-template The template \/orchard\/files\/bad.txt cannot be filled in for orchard-01: undefined variable: node.variables.row, line:1, col:8/,
      ),
    ]);
    const own = node('firstBoot: { files: [{ path: /etc/row, from: files/bad.txt, template: true }] }');
    expect((await mistakesOf(own))[0]).toMatch(/^8:82 plan.bad-template .* for orchard-02/);
    await read(
      plus('templates: { row.txt: files/bad.txt }').replace(/\{ name/g, '{ variables: { row: "7" }, name'),
    );
  });

  it('is not seen in the good plan', async () => {
    expect((await read(goodPlan)).nodes).toHaveLength(2);
  });
});
