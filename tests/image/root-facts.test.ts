import fs from 'node:fs';
import { describe, expect, it } from 'vitest';
import type { ByteSource } from '../../src/contract/blocks.ts';
import type { ImageVolume } from '../../src/contract/image.ts';
import type { RootFacts } from '../../src/contract/root-facts.ts';
import { ExtUnreadable, type ExtVolume } from '../../src/image/ext-volume.ts';
import { boundFiles } from '../../src/image/root/bounded-files.ts';
import { lookAtRoot } from '../../src/image/root/read-root.ts';
import { describeWith } from '../lab/capabilities.ts';
import { fileSource, memorySource, noise, sha256, workFolder } from './recipes.ts';
import { makeRootVolume, type Tree } from './root-volume.ts';

const folder = workFolder();
let made = 0;

const whole = (source: ByteSource, type = 'ext4'): ImageVolume => ({
  partition: 2,
  startByte: 0,
  sizeBytes: source.sizeBytes,
  type,
  label: null,
});

function volumeOf(tree: Tree): ByteSource {
  made += 1;
  return fileSource(makeRootVolume(folder, `root-${made}.img`, tree));
}

const look = (source: ByteSource) => lookAtRoot(source, { volumes: [whole(source)] });

async function factsOf(tree: Tree): Promise<RootFacts> {
  const seen = await look(volumeOf(tree));
  if (seen.state !== 'read') throw new Error(seen.why);
  return seen.facts;
}

const entryOf = (version: string, status = 'install ok installed') =>
  `Package: adduser\nStatus: install ok installed\nVersion: 3.134\n\nPackage: cloud-init\nStatus: ${status}\nPriority: optional\nVersion: ${version}\nDescription: first boot\n Package: not-this\n\nPackage: cloud-init-extra\nStatus: install ok installed\nVersion: 9.9\n`;
const versionModule = (version: string, packaged = '@@PACKAGED_VERSION@@') =>
  `# comment\n__VERSION__ = "${version}"\n_PACKAGED_VERSION = "${packaged}"\n`;
const modulePath = 'usr/lib/python3/dist-packages/cloudinit/version.py';

const tools = ['program:mkfs.ext4'] as const;

describeWith(tools, 'the first boot, by the root volume', { timeoutMs: 60_000 }, () => {
  // dpkg-query(1), "Package status"; deb-version(7): an epoch before the colon, a revision behind the last hyphen.
  it.each([
    [
      'a package',
      { 'var/lib/dpkg/status': entryOf('22.4.2-1+deb12u3') },
      '22.4.2-1+deb12u3',
      'Debian package',
    ],
    ['a package with an epoch', { 'var/lib/dpkg/status': entryOf('1:24.3-1') }, '24.3-1', 'Debian package'],
    // Names as in the Debian package cloud-init 22.4.2 (cloudinit/version.py).
    ['its own module', { [modulePath]: versionModule('22.4.2') }, '22.4.2', `/${modulePath}`],
    [
      'a packaged module',
      { [modulePath]: versionModule('24.4', '24.4-0~bpo') },
      '24.4-0~bpo',
      `/${modulePath}`,
    ],
    [
      'a module of another Python',
      { 'usr/lib/python3.12/site-packages/cloudinit/version.py': versionModule('23.2') },
      '23.2',
      '/usr/lib/python3.12/site-packages/cloudinit/version.py',
    ],
    ['the program alone', { 'usr/bin/cloud-init': '#!/usr/bin/python3\n' }, null, '/usr/bin/cloud-init'],
  ] as [string, Tree, string | null, string][])(
    'knows the program by %s',
    async (_title, tree, version, from) => {
      expect((await factsOf(tree)).program).toEqual({ version, from });
    },
  );

  it('knows the version of netplan by the list of packages alone', async () => {
    const entries = entryOf('22.4.2-1').replace('cloud-init-extra', 'netplan.io');
    expect((await factsOf({ 'var/lib/dpkg/status': entries })).netplanVersion).toBe('9.9');
    expect((await factsOf({ 'usr/sbin/netplan': '' })).netplanVersion).toBeNull();
  });

  // Packages tzdata and locales of Debian 12; a system without dpkg is another one, whose locale is a line in a file.
  it('sees what clock and language need', async () => {
    const dpkg = { 'var/lib/dpkg/status': entryOf('22.4.2-1') };
    const seen = async (tree: Tree) => {
      const { hasZones, hasLocalePrograms } = await factsOf(tree);
      return [hasZones, hasLocalePrograms];
    };
    expect(await seen({})).toEqual([false, true]);
    expect(await seen({ ...dpkg, 'usr/share/zoneinfo/UTC': '' })).toEqual([true, false]);
    const half = { ...dpkg, 'usr/sbin/locale-gen': '' };
    expect(await seen(half)).toEqual([false, false]);
    expect(await seen({ ...half, 'usr/sbin/update-locale': '' })).toEqual([false, true]);
  });

  it('takes no removed package, no other package and no other volume for the program', async () => {
    const removed = { 'var/lib/dpkg/status': entryOf('22.4.2-1', 'deinstall ok config-files') };
    expect((await factsOf(removed)).program).toBeNull();
    expect((await factsOf({})).program).toBeNull();
    const data = await lookAtRoot(memorySource(Buffer.alloc(2 ** 20)), { volumes: [] });
    expect(data).toEqual({ state: 'absent', why: 'there is no ext volume with a system in it' });
    const other = memorySource(Buffer.alloc(2 ** 20));
    const seen = await lookAtRoot(other, { volumes: [whole(other, 'btrfs')] });
    expect(seen).toEqual({ state: 'unread', why: 'a root volume of type btrfs is not read here' });
  });

  // cloud-init, "Base configuration": cloud.cfg, then cloud.cfg.d/*.cfg by name; mappings are merged.
  it('reads the settings in their order, mappings merged and lists replaced', async () => {
    const { settings, offBy } = await factsOf({
      'etc/cloud/cloud.cfg':
        'datasource_list: [NoCloud, ConfigDrive]\nssh_deletekeys: yes\ncloud_init_modules:\n - bootcmd\n - write-files\n - [ssh, always]\n',
      'etc/cloud/cloud.cfg.d/20-b.cfg': 'datasource: {NoCloud: {seedfrom: "file:///boot/firmware"}}\n',
      'etc/cloud/cloud.cfg.d/10-a.cfg':
        '{datasource: {NoCloud: {fs_label: system-boot, seedfrom: /nowhere}}, datasource_list: [NoCloud]}\n',
      'etc/cloud/cloud.cfg.d/30-c.cfg':
        'ssh_deletekeys: no\nssh_genkeytypes: []\nnetwork: {config: disabled}\n',
      'etc/cloud/cloud.cfg.d/40-d.cfg': 'datasource_list: [ None\n',
      'etc/cloud/cloud.cfg.d/50-e.cfg.off': 'datasource_list: [Ec2]\n',
      'etc/cloud/cloud-init.disabled': '',
    });
    expect(settings).toEqual({
      datasources: ['NoCloud'],
      fsLabel: 'system-boot',
      seedFrom: 'file:///boot/firmware',
      networkIsOff: true,
      renderers: null,
      modules: ['bootcmd', 'write_files', 'ssh'],
      deletesHostKeys: false,
      hostKeyTypes: [],
      unclear: ['/etc/cloud/cloud.cfg.d/40-d.cfg'],
    });
    expect(offBy).toBe('/etc/cloud/cloud-init.disabled');
  });

  it('takes what is not set for what the program does by itself', async () => {
    const { settings, offBy, seedFolders, renderer, bootFolders } = await factsOf({});
    expect(settings).toEqual({
      datasources: null,
      fsLabel: 'cidata',
      seedFrom: null,
      networkIsOff: false,
      renderers: null,
      modules: null,
      deletesHostKeys: true,
      hostKeyTypes: null,
      unclear: [],
    });
    expect([offBy, seedFolders, renderer, bootFolders]).toEqual([null, [], null, []]);
  });

  // The orders and programs are those of cloud-init 22.4.2 (cloudinit/net/renderers.py and each `available`).
  it.each([
    ['netplan', { 'usr/sbin/netplan': { link: '../share/netplan/netplan.script' } }, 'netplan'],
    ['netplan below a merged /sbin', { 'sbin/netplan': 'x' }, 'netplan'],
    [
      'the older program first, where both are there',
      {
        'usr/sbin/netplan': 'x',
        'usr/sbin/ifup': 'x',
        'usr/sbin/ifdown': 'x',
        'usr/sbin/ifquery': 'x',
        'etc/network/interfaces': '',
      },
      'eni',
    ],
    [
      'netplan, where the settings want it first',
      {
        'usr/sbin/netplan': 'x',
        'usr/sbin/ifup': 'x',
        'usr/sbin/ifdown': 'x',
        'usr/sbin/ifquery': 'x',
        'etc/network/interfaces': '',
        'etc/cloud/cloud.cfg': 'system_info: {network: {renderers: [netplan, eni]}}\n',
      },
      'netplan',
    ],
    ['networkd alone', { 'lib/systemd/systemd-networkd': 'x' }, 'networkd'],
  ] as [string, Tree, string][])(
    'finds what carries out network settings: %s',
    async (_title, tree, renderer) => {
      expect((await factsOf(tree)).renderer).toBe(renderer);
    },
  );

  it('knows a wireless program, FAT mounts and seeds that are there already', async () => {
    const facts = await factsOf({
      'usr/sbin/wpa_supplicant': 'x',
      'etc/fstab':
        '# LABEL=X /old vfat\nPARTUUID=1234-02 / ext4 defaults 0 1\nLABEL=system-boot  /boot/firmware  vfat  defaults  0  1\n',
      'var/lib/cloud/seed/nocloud': { link: '/boot/firmware' },
    });
    expect(facts.hasWifiProgram).toBe(true);
    expect(facts.bootFolders).toEqual(['/boot/firmware']);
    expect(facts.seedFolders).toEqual([{ path: '/var/lib/cloud/seed/nocloud', leadsTo: '/boot/firmware' }]);
    expect(facts.markerReaders).toBeNull();
  });

  it('knows what reads marker files, where anything is started at all', async () => {
    const started = {
      'usr/lib/systemd/system/node-users.service': '[Service]\nExecStart=/usr/lib/node-os/users\n',
      'etc/systemd/system/multi-user.target.wants/node-users.service': { link: '/usr/lib/systemd/system/x' },
    };
    const script = { 'usr/lib/node-os/users': '#!/bin/sh\ncat /boot/userconf.txt\n' };
    expect((await factsOf(started)).markerReaders).toEqual([]);
    expect((await factsOf({ ...started, ...script })).markerReaders).toEqual(['node-users.service']);
  });

  it('says what cannot be read, and changes nothing', async () => {
    const file = makeRootVolume(folder, 'broken.img', { 'var/lib/dpkg/status': entryOf('22.4.2') });
    const before = sha256(fs.readFileSync(file));
    await look(fileSource(file));
    expect(sha256(fs.readFileSync(file))).toBe(before);
    const bytes = fs.readFileSync(file);
    const cut = await look(memorySource(bytes.subarray(0, 40_000)));
    expect(cut).toMatchObject({
      state: 'unread',
      why: expect.stringMatching(/^the ext4 volume in partition 2 cannot/),
    });
    bytes.set(noise(1024), 1024);
    expect(await look(memorySource(bytes))).toMatchObject({ state: 'unread' });
  });

  it('reads no list of packages of gigabytes, and no settings made to keep it busy', async () => {
    const large = await look(volumeOf({ 'etc/cloud/cloud.cfg': `x: ${'y'.repeat(2 ** 17)}\n` }));
    expect(large).toMatchObject({
      state: 'unread',
      why: expect.stringContaining('/etc/cloud/cloud.cfg has'),
    });
    const bomb = `a: &a [x,x,x,x,x,x,x,x,x]\n${[...'bcdefghij'].map((name, i) => `${name}: &${name} [${Array(9).fill(`*${'abcdefghi'[i]}`).join(',')}]`).join('\n')}\n`;
    const { settings } = await factsOf({
      'etc/cloud/cloud.cfg': bomb,
      'etc/cloud/cloud.cfg.d/deep.cfg': '['.repeat(5000),
    });
    expect(settings.unclear).toEqual(['/etc/cloud/cloud.cfg', '/etc/cloud/cloud.cfg.d/deep.cfg']);
  });
});

describe('a root volume that is asked', () => {
  const answers = (text: string): ExtVolume => ({
    kind: async () => 'file',
    names: async () => [text],
    target: async () => text,
    sizeBytes: async () => text.length,
    text: async () => text,
  });

  it('answers so many questions and no more', async () => {
    const few = boundFiles(answers('x'));
    for (let i = 0; i < 1200; i++) {
      await few.kind('/a');
      await few.names('/a');
      await few.target('/a');
      await few.sizeBytes('/a');
      await few.text('/a');
    }
    await expect(few.kind('/a').then(() => few.kind('/a'))).rejects.toThrow(ExtUnreadable);
    const large = boundFiles(answers('x'.repeat(2 ** 20)));
    for (let i = 0; i < 16; i++) await large.text('/a');
    await expect(large.text('/a')).rejects.toThrow('it holds more than a root volume does');
  });
});
