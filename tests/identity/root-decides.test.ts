import { describe, expect, it } from 'vitest';
import type { Carried } from '../../src/contract/identity.ts';
import type { FirstBootSettings, RootLook } from '../../src/contract/root-facts.ts';
import { detectMechanism, type LookedAtVolume } from '../../src/identity/detect-mechanism.ts';
import { seedVolumeWouldWork } from '../../src/identity/seed-place.ts';
import { rootFacts, rootLook } from './orchard.ts';

function volumeOf(label: string | null, files: Record<string, string>): LookedAtVolume {
  return {
    label,
    stat: (path) => {
      const content = files[path];
      return content === undefined
        ? null
        : { name: path, kind: 'file', sizeBytes: content.length, isReadOnly: false, shortName: path };
    },
    readFile: (path) => Buffer.from(files[path] ?? ''),
  };
}

const seed = { 'user-data': '', 'meta-data': '' };
const pair = { 'config.txt': '', 'cmdline.txt': 'quiet' };
const kernel = (line: string) => ({ 'cmdline.txt': `root=/dev/mmcblk0p2 ${line} quiet\n` });
const seedFrom = 'file:///boot/firmware/';

/** Rules: cloud-init 22.4.2, DataSourceNoCloud and its documentation ("NoCloud"), unless another is named. */
describe('where a first boot looks, by the root volume', () => {
  it.each([
    ['the label cidata', 'CIDATA', {}, rootLook(), 'nocloud-label', ['label CIDATA']],
    [
      'the label cidata and both files',
      'cidata',
      seed,
      rootLook(),
      'nocloud-files',
      ['user-data', 'meta-data', 'label cidata'],
    ],
    [
      'a label of its own',
      'system-boot',
      {},
      rootLook({}, { fsLabel: 'system-boot' }),
      'nocloud-label',
      ['label system-boot'],
    ],
    [
      'a label of its own in capitals',
      'SYSTEM-BOOT',
      seed,
      rootLook({}, { fsLabel: 'system-boot' }),
      'nocloud-files',
      ['user-data', 'meta-data', 'label SYSTEM-BOOT'],
    ],
    [
      'a folder that is the boot volume',
      'BOOTFS',
      seed,
      rootLook({}, { seedFrom }),
      'nocloud-files',
      ['user-data', 'meta-data', `seedfrom ${seedFrom}`],
    ],
    [
      'a folder that fstab does not name, but everybody',
      'BOOTFS',
      {},
      rootLook({ bootFolders: [] }, { seedFrom: '/boot/' }),
      'nocloud-files',
      ['seedfrom /boot/'],
    ],
    [
      'a folder on the kernel line',
      'BOOTFS',
      { ...seed, ...kernel(`ds=nocloud;s=${seedFrom}`) },
      rootLook({}, { datasources: ['Ec2'] }),
      'nocloud-files',
      ['user-data', 'meta-data', `seedfrom ${seedFrom}`],
    ],
    [
      'the program’s own folder, linked to the boot volume',
      'BOOTFS',
      seed,
      rootLook({ seedFolders: [{ path: '/var/lib/cloud/seed/nocloud', leadsTo: '/boot/firmware/' }] }),
      'nocloud-files',
      ['user-data', 'meta-data', '/var/lib/cloud/seed/nocloud'],
    ],
  ] as [string, string, Record<string, string>, RootLook, string, string[]][])(
    'finds the node’s files by %s',
    (_title, label, files, look, mechanism, evidence) => {
      const facts = detectMechanism(volumeOf(label, files), look);
      expect([facts.mechanism, facts.evidence, facts.reason]).toEqual([mechanism, evidence, null]);
    },
  );

  it.each([
    [
      'files that no label and no setting leads to',
      'BOOTFS',
      seed,
      rootLook(),
      'looks for a volume labelled cidata, and this one is labelled BOOTFS',
    ],
    [
      'the usual label, where another is wanted',
      'CIDATA',
      seed,
      rootLook({}, { fsLabel: 'system-boot' }),
      'looks for a volume labelled system-boot',
    ],
    ['a label in mixed letters', 'CiData', {}, rootLook(), 'labelled CiData'],
    [
      'any label, where none is looked for',
      'CIDATA',
      seed,
      rootLook({}, { fsLabel: null }),
      'looks for no volume',
    ],
    [
      'other sources',
      'CIDATA',
      seed,
      rootLook({}, { datasources: ['Ec2', 'None'] }),
      'tries only Ec2, None (datasource_list)',
    ],
    [
      'a program that is off',
      'CIDATA',
      seed,
      rootLook({ offBy: '/etc/cloud/cloud-init.disabled' }),
      '/etc/cloud/cloud-init.disabled in the root volume keeps',
    ],
    [
      'a program that the kernel line keeps off',
      'CIDATA',
      { ...seed, ...kernel('cloud-init=disabled') },
      rootLook(),
      'cloud-init=disabled on the kernel line keeps',
    ],
    [
      'files from the network',
      'CIDATA',
      seed,
      rootLook({}, { seedFrom: 'http://192.0.2.1/' }),
      'takes its files from http://192.0.2.1/',
    ],
    [
      'a folder below the boot volume',
      'BOOTFS',
      seed,
      rootLook({}, { seedFrom: `${seedFrom}seed/` }),
      'is not the top of the boot volume',
    ],
    [
      'a folder without a slash in a version that needs it',
      'BOOTFS',
      seed,
      rootLook({}, { seedFrom: '/boot/firmware' }),
      'before 24.1 a folder needs a slash at its end',
    ],
    [
      'a label that nothing looks for',
      'CIDATA',
      {},
      rootLook({ program: null }),
      'no program that looks for it was found',
    ],
    [
      'boot files that nothing reads',
      'BOOTFS',
      pair,
      rootLook({ program: null }),
      'nothing in the root volume reads marker files',
    ],
    [
      'a label whose setting cannot be read',
      'system-boot',
      {},
      { state: 'unread', why: 'x' },
      'was not read',
    ],
    [
      'one of two files',
      'BOOTFS',
      { 'user-data': '' },
      { state: 'absent', why: 'x' },
      'only user-data is there',
    ],
  ] as [string, string, Record<string, string>, RootLook, string][])(
    'is told there is none: %s',
    (_title, label, files, look, reason) => {
      const facts = detectMechanism(volumeOf(label, files), look);
      expect(facts.mechanism).toBe('none');
      expect(facts.reason).toContain(reason);
      expect(Object.values(facts.carries)).not.toContain(true);
    },
  );

  // Common practice, no source: user and password come from userconf.txt.
  it.each([
    [
      'what reads them',
      'BOOTFS',
      pair,
      rootLook({ program: null, markerReaders: ['users.service'] }),
      ['config.txt', 'cmdline.txt', 'users.service'],
    ],
    [
      'what reads them, beside a program that looks elsewhere',
      'BOOTFS',
      { ...pair, ...seed },
      rootLook({ markerReaders: ['users.service'] }),
      ['config.txt', 'cmdline.txt', 'users.service'],
    ],
    [
      'a script, whatever the root volume says',
      'BOOTFS',
      kernel('init=/usr/lib/node-os/firstboot'),
      rootLook({ program: null }),
      ['cmdline.txt', 'init=/usr/lib/node-os/firstboot in cmdline.txt'],
    ],
    [
      'their pair, where nothing is there to judge by',
      'BOOTFS',
      pair,
      rootLook({ program: null, markerReaders: null }),
      ['config.txt', 'cmdline.txt'],
    ],
  ] as [string, string, Record<string, string>, RootLook, string[]][])(
    'finds marker files by %s',
    (_title, label, files, look, evidence) => {
      const facts = detectMechanism(volumeOf(label, files), look);
      expect([facts.mechanism, facts.evidence]).toEqual(['marker-files', evidence]);
      expect(facts.remarks).toEqual(['Marker files carry no keys: the node would accept a password only.']);
    },
  );

  it('leaves files to a program that it does not know, and says so', () => {
    const facts = detectMechanism(volumeOf('BOOTFS', seed), rootLook({ program: null }));
    expect(facts.mechanism).toBe('nocloud-files');
    expect(facts.remarks).toEqual([
      'No cloud-init was found in the root volume; another program may read these files.',
    ]);
  });
});

it('a folder without a slash, in a version that puts it there', () => {
  const program = { version: '25.2-1', from: 'x' };
  const facts = detectMechanism(
    volumeOf('BOOTFS', seed),
    rootLook({ program }, { seedFrom: 'file:///boot/firmware' }),
  );
  expect([facts.mechanism, facts.carries.network]).toEqual(['nocloud-files', true]);
});

describe('what else is said of a first boot that is found', () => {
  // ds-identify of cloud-init 22.4.2: found by label, by ds= or by a list with one entry; else by the processor's policy.
  it.each([
    ['the usual label', 'CIDATA', seed, {}, false],
    ['a label of its own', 'system-boot', seed, { fsLabel: 'system-boot' }, true],
    [
      'a label of its own and no other source',
      'system-boot',
      seed,
      { fsLabel: 'system-boot', datasources: ['NoCloud', 'None'] },
      false,
    ],
    ['a folder and other sources', 'BOOTFS', seed, { seedFrom, datasources: ['NoCloud', 'Ec2'] }, true],
    ['a folder and no other source', 'BOOTFS', seed, { seedFrom, datasources: ['NoCloud'] }, false],
    ['a folder on the kernel line', 'BOOTFS', { ...seed, ...kernel(`ds=nocloud;s=${seedFrom}`) }, {}, false],
  ] as [string, string, Record<string, string>, Partial<FirstBootSettings>, boolean][])(
    'by %s',
    (_title, label, files, settings, isUnsure) => {
      const { remarks } = detectMechanism(volumeOf(label, files), rootLook({}, settings));
      expect(remarks[0]).toBe('The node’s files are read by cloud-init 22.4.2-1.');
      expect(remarks.some((text) => text.includes('x86'))).toBe(isUnsure);
    },
  );

  it('beside a seed that is in the root volume already', () => {
    const seedFolders = [{ path: '/var/lib/cloud/seed/nocloud', leadsTo: null }];
    const { remarks } = detectMechanism(volumeOf('CIDATA', seed), rootLook({ seedFolders }));
    expect(remarks.at(-1)).toMatch(/^What is in \/var\/lib\/cloud\/seed\/nocloud /);
  });
});

describe('what a NoCloud image carries, by the root volume', () => {
  const notCarried = (label: string, look: RootLook) => {
    const { carries, because } = detectMechanism(volumeOf(label, seed), look);
    const kinds = (Object.keys(carries) as Carried[]).filter((kind) => !carries[kind]);
    expect(Object.keys(because).sort()).toEqual([...kinds].sort());
    return Object.fromEntries(kinds.map((kind) => [kind, because[kind]]));
  };
  const version = (version: string | null) => ({ program: { version, from: 'x' } });

  // cloud-init 24.3, change log: network-config is also read by seedfrom; 22.4.2 was seen to leave it out.
  it.each([
    ['22.4.2-1', false],
    ['24.2', false],
    ['24.3~bpo12', true],
    ['24.10', true],
    ['25.1.4-0', true],
    [null, false],
  ] as [string | null, boolean][])(
    'network settings beside a folder, in version %s: %s',
    (given, isCarried) => {
      const missing = notCarried('BOOTFS', rootLook(version(given), { seedFrom }));
      expect(Object.keys(missing)).toEqual(isCarried ? [] : ['network', 'wifi']);
      if (!isCarried)
        expect(missing.network).toMatch(/^cloud-init.* reads network settings only from a volume/);
      // A volume that is found by its label has them in any version, also beside a folder.
      expect(notCarried('CIDATA', rootLook(version(given), { seedFrom }))).toEqual({});
    },
  );

  it.each([
    ['a network that is left alone', rootLook({}, { networkIsOff: true }), ['network', 'wifi']],
    ['no program for the network', rootLook({ renderer: null }), ['network', 'wifi']],
    // cloudinit/net/network_state.py: wireless settings pass to netplan as they are; all others drop them.
    ['another program for the network', rootLook({ renderer: 'eni' }), ['wifi']],
    ['no program for wireless networks', rootLook({ hasWifiProgram: false }), ['wifi']],
    ['no time zones', rootLook({ hasZones: false }), ['timezone']],
    ['nothing that makes locales', rootLook({ hasLocalePrograms: false }), ['locale']],
    // cloud-init, "Module reference".
    [
      'few modules',
      rootLook({}, { modules: ['bootcmd', 'users_groups', 'ssh', 'runcmd', 'set_hostname'] }),
      ['timezone', 'locale', 'files', 'commands'],
    ],
    [
      'no module for users and host keys',
      rootLook(
        {},
        { modules: ['set_hostname', 'write_files', 'timezone', 'locale', 'runcmd', 'scripts_user'] },
      ),
      ['authorizedKeys', 'password', 'sudo', 'hostKeys'],
    ],
    ['everything', rootLook(), []],
  ] as [string, RootLook, string[]][])('with %s', (_title, look, missing) => {
    expect(Object.keys(notCarried('CIDATA', look)).sort()).toEqual([...missing].sort());
  });
});

describe('a seed volume behind the image', () => {
  it.each([
    ['a program as it is by itself', rootFacts(), '', true, 'looks for a volume labelled cidata'],
    [
      'a program that is told so on the kernel line',
      rootFacts({}, { datasources: [] }),
      'ds=nocloud',
      true,
      'looks for',
    ],
    ['no program', rootFacts({ program: null }), '', false, 'no first-boot program'],
    ['a program that is off', rootFacts({ offBy: '/etc/cloud/cloud-init.disabled' }), '', false, 'keeps'],
    ['other sources', rootFacts({}, { datasources: ['None'] }), '', false, 'tries only None'],
    [
      'another label',
      rootFacts({}, { fsLabel: 'system-boot' }),
      '',
      false,
      'looks for a volume labelled system-boot',
    ],
    ['a file system without a table', rootFacts({ partition: 0 }), '', false, 'no partition table'],
    [
      'a unit that takes all of the card',
      rootFacts({ rootGrowers: ['grow.service'] }),
      '',
      false,
      'grows to the last sector of the card (grow.service)',
    ],
    [
      'a first script that takes all of the card',
      rootFacts(),
      'quiet init=/usr/lib/node-os/init_resize.sh',
      false,
      'grows to the last sector of the card (init=/usr/lib/node-os/init_resize.sh)',
    ],
    ['a folder that is named', rootFacts({}, { seedFrom }), '', false, 'takes its files from a named folder'],
    [
      'a folder on the kernel line',
      rootFacts(),
      `ds=nocloud;s=${seedFrom}`,
      false,
      'takes its files from a named folder',
    ],
  ] as [string, ReturnType<typeof rootFacts>, string, boolean, string][])(
    '%s',
    (_title, facts, line, works, why) => {
      const outlook = seedVolumeWouldWork(facts, line);
      expect(outlook.works).toBe(works);
      expect(outlook.why).toContain(why);
    },
  );
});
