import { expect, it } from 'vitest';
import type { HostKeyUnit } from '../../src/contract/root-facts.ts';
import { lookAtRoot } from '../../src/image/root/read-root.ts';
import { describeWith } from '../lab/capabilities.ts';
import { fileSource, workFolder } from './recipes.ts';
import { makeRootVolume, type Tree } from './root-volume.ts';

const folder = workFolder();
let made = 0;

async function unitsOf(tree: Tree): Promise<HostKeyUnit[]> {
  made += 1;
  const source = fileSource(makeRootVolume(folder, `root-${made}.img`, tree));
  const volume = { partition: 2, startByte: 0, sizeBytes: source.sizeBytes, type: 'ext4', label: null };
  const seen = await lookAtRoot(source, { volumes: [volume] });
  if (seen.state !== 'read') throw new Error(seen.why);
  return seen.facts.hostKeyUnits;
}

/** Commands as in the public first-boot scripts of the most common SBC images. */
const replacing = `[Unit]
Description=Make new host keys
Before=ssh.service

[Service]
Type=oneshot
ExecStartPre=-/bin/sh -c "/bin/rm -f -v /etc/ssh/ssh_host_*_key*"
ExecStart=/usr/bin/ssh-keygen -A -v
ExecStartPost=/bin/systemctl disable new-host-keys

[Install]
WantedBy=multi-user.target
`;
const wants = 'etc/systemd/system/multi-user.target.wants/new-host-keys.service';
const wanted = { [wants]: { link: '/lib/systemd/system/new-host-keys.service' } };
const withUnit = (text: string): Tree => ({
  ...wanted,
  'usr/lib/systemd/system/new-host-keys.service': text,
});
const unit = (changes: Partial<HostKeyUnit> = {}): HostKeyUnit => ({
  name: 'new-host-keys.service',
  effect: 'replaces',
  outOfReach: null,
  ...changes,
});

describeWith(['program:mkfs.ext4'], 'units that make host keys at first boot', { timeoutMs: 60_000 }, () => {
  it.each([
    ['that takes the old ones away', withUnit(replacing), [unit()]],
    [
      'below a /lib that is a folder of its own',
      { ...wanted, 'lib/systemd/system/new-host-keys.service': replacing },
      [unit()],
    ],
    ['below a /lib that is a link', { ...withUnit(replacing), lib: { link: 'usr/lib' } }, [unit()]],
    [
      'of the administrator’s own',
      { ...wanted, 'etc/systemd/system/new-host-keys.service': replacing },
      [unit()],
    ],
    [
      'that only makes missing ones',
      withUnit('[Service]\nExecStart=/usr/bin/ssh-keygen -A\n'),
      [unit({ effect: 'adds' })],
    ],
    [
      'by a script',
      {
        ...withUnit('[Service]\nExecStart=/usr/lib/node-os/first-boot --quiet\n'),
        'usr/lib/node-os/first-boot': '#!/bin/sh\nset -e\nrm -f /etc/ssh/ssh_host_*\nssh-keygen -A\n',
      },
      [unit()],
    ],
    [
      'as early as the first-boot program',
      withUnit(`[Unit]\nDefaultDependencies=no\n${replacing}`),
      [unit({ outOfReach: 'it runs as early as the first-boot program itself' })],
    ],
    [
      'for sysinit.target',
      {
        'usr/lib/systemd/system/new-host-keys.service': replacing,
        'usr/lib/systemd/system/sysinit.target.wants/new-host-keys.service': {
          link: '../new-host-keys.service',
        },
      },
      [unit({ outOfReach: 'it runs as early as the first-boot program itself' })],
    ],
    [
      'by /etc/rc.local',
      { 'etc/rc.local': '#!/bin/sh -e\nrm -f /etc/ssh/ssh_host_*\ndpkg-reconfigure openssh-server\n' },
      [{ name: '/etc/rc.local', effect: 'replaces', outOfReach: 'it is a script of the image’s own' }],
    ],
  ] as [string, Tree, HostKeyUnit[]][])('are found: one %s', async (_title, tree, units) => {
    expect(await unitsOf(tree)).toEqual(units);
  });

  it.each([
    ['that nothing wants', { 'usr/lib/systemd/system/new-host-keys.service': replacing }],
    // systemctl(1), "mask": a link to /dev/null of the same name.
    [
      'that is masked',
      { ...withUnit(replacing), 'etc/systemd/system/new-host-keys.service': { link: '/dev/null' } },
    ],
    ['whose lines are comments', withUnit('[Service]\n# ExecStart=/usr/bin/ssh-keygen -A\n')],
    [
      'with another task',
      withUnit('[Service]\nExecStart=/usr/sbin/sshd -D\nReadOnlyPaths=/etc/ssh/ssh_host_x\n'),
    ],
    // machine-id(5), "FIRST BOOT SEMANTICS": with an empty file it is not the first boot.
    [
      'that waits for a first boot which the image does not have',
      { ...withUnit(`[Unit]\nConditionFirstBoot=yes\n${replacing}`), 'etc/machine-id': '' },
    ],
  ] as [string, Tree][])('are not seen in one %s', async (_title, tree) => {
    expect(await unitsOf(tree)).toEqual([]);
  });

  it('are seen in one that waits for a first boot which the image has', async () => {
    const tree = {
      ...withUnit(`[Unit]\nConditionFirstBoot=yes\n${replacing}`),
      'etc/machine-id': 'uninitialized\n',
    };
    expect(await unitsOf(tree)).toEqual([unit()]);
  });

  it('gives no name that a shell would read otherwise', async () => {
    const name = 'new keys$(reboot).service';
    const tree = {
      [`etc/systemd/system/multi-user.target.wants/${name}`]: { link: `../${name}` },
      [`etc/systemd/system/${name}`]: replacing,
    };
    expect(await unitsOf(tree)).toEqual([unit({ name, outOfReach: 'its name is no plain word' })]);
  });
});
