import fs from 'node:fs';
import fc from 'fast-check';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { describeFinding } from '../../src/contract/finding.ts';
import type { ImageVolume } from '../../src/contract/image.ts';
import type { RootLook } from '../../src/contract/root-facts.ts';
import { keepHostKey } from '../../src/identity/host-key-promise.ts';
import { lookAtRoot } from '../../src/image/root/read-root.ts';
import { memorySource, workFolder } from '../image/recipes.ts';
import { makeRootVolume, type Tree } from '../image/root-volume.ts';
import { describeWith } from '../lab/capabilities.ts';
import { counted } from './counted-source.ts';
import { fuzzed, fuzzTimeoutMs, InputCount } from './fuzz.ts';

const folder = workFolder();
const inputs = new InputCount();
const unit =
  '[Service]\nExecStartPre=/bin/sh -c "rm -f /etc/ssh/ssh_host_*"\nExecStart=/usr/lib/node-os/keys\n';
const wants = 'etc/systemd/system/multi-user.target.wants';

const sound: Tree = {
  'etc/cloud/cloud.cfg': 'datasource_list: [NoCloud]\ncloud_init_modules: [bootcmd, ssh]\n',
  'etc/cloud/cloud.cfg.d/10-a.cfg': 'datasource: {NoCloud: {fs_label: system-boot}}\n',
  'etc/fstab': 'LABEL=x /boot/firmware vfat defaults 0 1\n',
  'etc/machine-id': 'uninitialized\n',
  'var/lib/dpkg/status': 'Package: cloud-init\nStatus: install ok installed\nVersion: 22.4.2-1\n',
  'usr/lib/systemd/system/keys.service': unit,
  'usr/lib/node-os/keys': '#!/bin/sh\nssh-keygen -A\n',
  [`${wants}/keys.service`]: { link: '/usr/lib/systemd/system/keys.service' },
  'usr/sbin/netplan': { link: '../share/netplan/netplan.script' },
};

const volumeOf = (bytes: Uint8Array): ImageVolume => ({
  partition: 2,
  startByte: 0,
  sizeBytes: bytes.length,
  type: 'ext4',
  label: null,
});

/** More reads than the library's disk allows would come out of here as another error. */
async function look(bytes: Uint8Array): Promise<RootLook> {
  const seen = await inputs.orderly(() => lookAtRoot(counted(bytes, 25_000), { volumes: [volumeOf(bytes)] }));
  expect(seen).toHaveProperty('state');
  return seen as RootLook;
}

const madeOf = (name: string, tree: Tree) => fs.readFileSync(makeRootVolume(folder, name, tree));

describeWith(['program:mkfs.ext4'], 'a root volume made to do harm', { timeoutMs: fuzzTimeoutMs }, () => {
  let bytes: Buffer;
  beforeAll(() => {
    bytes = madeOf('sound.img', sound);
  });
  afterAll(() => inputs.record('root volumes'));

  it('damaged anywhere, it is read or said to be unreadable', async () => {
    /** Where something is: superblock, descriptors, inodes, folders and files. */
    const places: number[] = [];
    for (let at = 0; at < bytes.length; at += 64) {
      if (bytes.subarray(at, at + 64).some((byte) => byte !== 0)) places.push(at);
    }
    const states = new Set<string>();
    const change = fc.tuple(fc.nat(places.length - 1), fc.nat(63), fc.nat(255));
    await fc.assert(
      fc.asyncProperty(fc.array(change, { minLength: 1, maxLength: 24 }), async (changes) => {
        const copy = Buffer.from(bytes);
        for (const [place, within, byte] of changes) copy[(places[place] ?? 0) + within] = byte;
        const seen = await look(copy);
        states.add(seen.state);
        for (const command of keepHostKey(seen).commands) {
          expect(command).toMatch(/^systemctl mask --now --no-block [\w@:.-]+\.service$/);
        }
        for (const found of keepHostKey(seen).findings) expect(describeFinding(found)).not.toBe('');
      }),
      fuzzed(120),
    );
    // Both answers are met, else the damage would prove nothing; and the library still works.
    expect([...states].sort()).toEqual(expect.arrayContaining(['read', 'unread']));
    expect(await look(bytes)).toMatchObject({
      state: 'read',
      facts: { hostKeyUnits: [{ name: 'keys.service', effect: 'replaces' }] },
    });
  });

  it.each([
    [
      'links in a circle',
      { 'etc/cloud/cloud.cfg': { link: '/etc/cloud/b' }, 'etc/cloud/b': { link: 'cloud.cfg' } },
    ],
    ['a folder for a file', { 'etc/fstab/x': '', 'var/lib/dpkg/status/x': '', 'etc/cloud/cloud.cfg/x': '' }],
    ['a file for a folder', { 'etc/cloud': 'x', 'etc/systemd': 'x', 'usr/lib': 'x' }],
    [
      'links out of the volume',
      {
        'etc/fstab': { link: '../../../../etc/passwd' },
        'etc/cloud/cloud.cfg': { link: '/proc/self/environ' },
      },
    ],
    ['no text', { 'etc/cloud/cloud.cfg': '\0\uffff\u001b[2J', 'etc/fstab': '\0'.repeat(5000) }],
  ] as [string, Tree][])('%s', async (_title, tree) => {
    const seen = await look(madeOf('odd.img', tree));
    expect(['read', 'unread']).toContain(seen.state);
    if (seen.state === 'read') expect(seen.facts.bootFolders).toEqual([]);
  });

  it('lines that make a search go back and forth, in as many units as are read', async () => {
    const line = (words: string) =>
      `ExecStart=/bin/sh -c ${words.repeat(Math.floor(60_000 / words.length))}\n`;
    const texts = ['rm ', 'echo|', 'echo|ssh-keygen ', 'dpkg-reconfigure ', 'ssh-keygen '].map(line);
    const tree: Tree = Object.fromEntries(
      texts.flatMap((text, i) => [
        [`usr/lib/systemd/system/u${i}.service`, text],
        ...Array.from({ length: 60 }, (_, k) => [`${wants}/u${i}-${k}.service`, { link: 'x' }]),
        ...Array.from({ length: 60 }, (_, k) => [
          `usr/lib/systemd/system/u${i}-${k}.service`,
          { link: `/usr/lib/systemd/system/u${i}.service` },
        ]),
      ]),
    );
    expect(await look(madeOf('lines.img', tree))).toMatchObject({ state: expect.stringMatching(/read/) });
  });

  it('more units than a system has', async () => {
    const many = Object.fromEntries(
      Array.from({ length: 3000 }, (_, i) => [`${wants}/n${i}.service`, { link: 'x' }]),
    );
    const seen = await look(madeOf('many.img', many));
    expect(['read', 'unread']).toContain(seen.state);
  });

  it('answers for a source that is no volume at all', async () => {
    expect((await look(Buffer.alloc(2 ** 20, 0x55))).state).toBe('unread');
    expect(await lookAtRoot(memorySource(Buffer.alloc(0)), { volumes: [] })).toMatchObject({
      state: 'absent',
    });
  });
});
