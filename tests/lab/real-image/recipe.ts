/**
 * What the lab's real image is made of: a small Debian that starts by itself, laid out as single-board computers have
 * it (an MBR, a FAT volume with the kernel and the first-boot files, an ext4 root). Plain data and pure functions.
 */
import { createHash } from 'node:crypto';

const mib = 2 ** 20;

/** A new number makes a new image although nothing else in the recipe has changed. */
const builderVersion = 1;

export const recipe = {
  builderVersion,
  suite: 'bookworm',
  /** no recommendations are followed */
  packages: [
    'linux-image-cloud-amd64',
    'systemd',
    'systemd-sysv',
    'systemd-resolved',
    'udev',
    'dbus',
    'iproute2',
    'netplan.io',
    'openssh-server',
    'sudo',
    'cloud-init',
  ],
  /** left out, so that the image stays small */
  excluded: ['/usr/share/doc/*', '/usr/share/man/*', '/usr/share/info/*', '/usr/share/locale/*'],
  units: ['systemd-networkd', 'systemd-resolved', 'ssh'],
  rootFiles: {
    'etc/hostname': 'node-os\n',
    'etc/fstab': 'PARTUUID=0c0ffee0-02 / ext4 defaults,noatime 0 1\n',
    // No other locale is in the image; the first boot would complain that it cannot have its usual one.
    'etc/cloud/cloud.cfg.d/50-node-os.cfg': 'locale: C.UTF-8\n',
  } as Record<string, string>,
  /**
   * The boot volume's own text files. They say what a careless maker's would: passwords are let in, host keys stay
   * as they are on every card, and the name is the image's. The node's settings have to win over all of it.
   */
  bootFiles: {
    'cmdline.txt': 'console=ttyS0 root=PARTUUID=0c0ffee0-02 rootwait ro\n',
    'user-data': `#cloud-config
# Settings for every node that is made from this image.
hostname: node-os
ssh_pwauth: true
ssh_deletekeys: false
write_files:
  - path: /etc/motd
    permissions: '0644'
    content: |
      A node of the orchard.
`,
    'meta-data': 'instance_id: node-os\n',
    'network-config': 'version: 2\nethernets:\n  eth0:\n    dhcp4: true\n',
  } as Record<string, string>,
  /** the label by which cloud-init finds its files (its "NoCloud" page) */
  bootLabel: 'CIDATA',
  diskId: 0x0c0ffee0,
  bootStartBytes: 4 * mib,
  bootBytes: 64 * mib,
  /** room in the root volume beyond its files, and beyond the file system's own share of 7 % */
  rootFreeBytes: 48 * mib,
};

export type Recipe = typeof recipe;

export const rootStartOf = ({ bootStartBytes, bootBytes }: Recipe) => bootStartBytes + bootBytes;

/** Names an image by its recipe and by the versions ("name version", one a package) that it would be built from. */
export function nameOfImage(made: Recipe, versions: readonly string[]): string {
  const digest = (value: unknown) =>
    createHash('sha256').update(JSON.stringify(value)).digest('hex').slice(0, 12);
  return `${namePrefixOf(made)}${digest([...versions].sort())}`;
}

/** What the names of all images of one recipe begin with. */
export function namePrefixOf(made: Recipe): string {
  return `real-image-${createHash('sha256').update(JSON.stringify(made)).digest('hex').slice(0, 12)}-`;
}

/** Bytes of the root volume for files that take up `usedBytes`: a whole number of MiB. */
export function rootBytesFor({ rootFreeBytes }: Recipe, usedBytes: number): number {
  return Math.ceil((usedBytes * 1.07 + rootFreeBytes) / mib) * mib;
}

/** Input for sfdisk. Type c: FAT32 with LBA; 83: Linux. */
export function partitionScript(made: Recipe): string {
  const start = made.bootStartBytes / 512;
  const size = made.bootBytes / 512;
  return [
    'label: dos',
    `label-id: 0x${made.diskId.toString(16).padStart(8, '0')}`,
    `start=${start}, size=${size}, type=c, bootable`,
    `start=${start + size}, type=83`,
    '',
  ].join('\n');
}
