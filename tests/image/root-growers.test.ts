import { expect, it } from 'vitest';
import { lookAtRoot } from '../../src/image/root/read-root.ts';
import { describeWith } from '../lab/capabilities.ts';
import { fileSource, workFolder } from './recipes.ts';
import { makeRootVolume, type Tree } from './root-volume.ts';

const folder = workFolder();
let made = 0;

async function growersOf(tree: Tree): Promise<string[]> {
  made += 1;
  const source = fileSource(makeRootVolume(folder, `root-${made}.img`, tree));
  const volume = { partition: 2, startByte: 0, sizeBytes: source.sizeBytes, type: 'ext4', label: null };
  const seen = await lookAtRoot(source, { volumes: [volume] });
  if (seen.state !== 'read') throw new Error(seen.why);
  return seen.facts.rootGrowers;
}

/** A unit that is started with the system and runs a script. */
const byScript = (script: string): Tree => ({
  'etc/systemd/system/multi-user.target.wants/grow.service': { link: '/usr/lib/systemd/system/grow.service' },
  'usr/lib/systemd/system/grow.service': '[Service]\nType=oneshot\nExecStart=/usr/lib/node-os/grow\n',
  'usr/lib/node-os/grow': `#!/bin/sh\n${script}`,
});

describeWith(['program:mkfs.ext4'], 'units that let a partition grow', { timeoutMs: 60_000 }, () => {
  it.each([
    ['deletes and makes it anew with fdisk', 'fdisk "$disk" <<EOF\nd\n2\nn\np\n2\n$start\n\nw\nEOF\n'],
    ['does so with an echoed text', 'echo -e "d\\n2\\nn\\np\\n2\\n$start\\n\\nw" | fdisk /dev/mmcblk0\n'],
    ['does so with sgdisk', 'sgdisk -d 2 /dev/mmcblk0\nsgdisk -n 2:$start:0 /dev/mmcblk0\n'],
    [
      'moves its end to the end of the disk',
      'parted -s /dev/mmcblk0 resizepart 2 100%\nresize2fs /dev/mmcblk0p2\n',
    ],
    [
      'works the end out from the disk’s size',
      'end=$(($(cat /sys/block/mmcblk0/size) - 1))\nparted -m /dev/mmcblk0 u s resizepart 2 $end\n',
    ],
  ])('names one that %s', async (_what, script) => {
    expect(await growersOf(byScript(script))).toEqual(['grow.service']);
  });

  it.each([
    ['growpart, which stops at the next partition', 'growpart /dev/mmcblk0 2\nresize2fs /dev/mmcblk0p2\n'],
    ['the file system alone', 'resize2fs /dev/mmcblk0p2\n'],
    ['a look at the table', 'sfdisk --json /dev/mmcblk0 > /run/table\n'],
    ['a comment', '# parted -s /dev/mmcblk0 resizepart 2 100%\ntrue\n'],
  ])('leaves alone one that uses %s', async (_what, script) => {
    expect(await growersOf(byScript(script))).toEqual([]);
  });

  it('names a script of the image’s own', async () => {
    const script = '#!/bin/sh\nparted -s /dev/mmcblk0 resizepart 2 100%\n';
    expect(await growersOf({ 'etc/rc.local': script })).toEqual(['/etc/rc.local']);
  });
});
