import type { Code } from '../../src/contract/catalogue/index.ts';
import type { DiskUse } from '../../src/contract/devices.ts';
import { askAboutArchives } from '../../src/guard/rules/archive.ts';
import { refuseOtherHolders } from '../../src/guard/rules/other-holder.ts';
import { askAboutPlainMounts } from '../../src/guard/rules/plain-mount.ts';
import { refuseSystemUse } from '../../src/guard/rules/system-use.ts';
import { makeDisk, makeGraph, makeSignature, makeUse } from './make-disk.ts';
import type { Case } from './rule-case.ts';
import { used } from './rule-case.ts';

const systemUses: Case[] = [
  { title: 'holds /', use: { what: '/', through: ['sdb1', 'vg0-root'] }, code: 'guard.mount-stacked' },
  { title: 'holds / itself', use: { what: '/' }, code: 'guard.mounted-elsewhere' },
  { title: 'holds /usr', use: { what: '/usr' }, code: 'guard.mounted-elsewhere' },
  { title: 'holds /boot/efi', use: { what: '/boot/efi' }, code: 'guard.mounted-elsewhere' },
  { title: 'holds a mount place itself', use: { what: '/media' }, code: 'guard.mounted-elsewhere' },
  { title: 'holds a deleted mount', use: { what: '/media/x//deleted' }, code: 'guard.mounted-elsewhere' },
  { title: 'holds a relative mount', use: { what: 'media/x' }, code: 'guard.mounted-elsewhere' },
  { title: 'is mounted through dm', use: { through: ['sdb1', 'dm-0'] }, code: 'guard.mount-stacked' },
  { title: 'is mounted as no part of it', use: { on: 'sda1' }, code: 'guard.mount-stacked' },
  { title: 'is mounted as btrfs', use: { fsType: 'btrfs' }, code: 'guard.mount-stacked' },
  { title: 'is mounted as zfs', use: { fsType: 'zfs' }, code: 'guard.mount-stacked' },
  { title: 'is mounted as bcachefs', use: { fsType: 'bcachefs' }, code: 'guard.mount-stacked' },
  { title: 'is mounted as overlay', use: { fsType: 'overlay' }, code: 'guard.mount-stacked' },
  { title: 'is mounted for pid 1', use: { namespace: 'init' }, code: 'guard.mounted-in-other-namespace' },
  { title: 'is mounted elsewhere', use: { namespace: null }, code: 'guard.mounted-in-other-namespace' },
  { title: 'holds swap', use: { kind: 'swap', what: '/dev/sdb1' }, code: 'guard.swap' },
  { title: 'has a holder', use: { kind: 'holder', what: 'md0' }, code: 'guard.stacked' },
  { title: 'is in a btrfs', use: { kind: 'btrfs-member', what: 'pool' }, code: 'guard.btrfs-member' },
  { title: 'is what we boot from', use: { kind: 'boot-chain', what: 'root=' }, code: 'guard.boot-chain' },
  { title: 'is in fstab', use: { kind: 'configured', what: '/data' }, code: 'guard.configured' },
].map(({ title, use, code }) => ({
  title,
  rule: refuseSystemUse,
  code: code as Code,
  disk: used(use as Partial<DiskUse>),
}));

export const useCases: Case[] = [
  ...systemUses,
  {
    title: 'carries a mount of another disk',
    rule: refuseSystemUse,
    code: 'guard.mount-carries-another',
    disk: used({ what: '/media/a' }),
    context: {
      graph: makeGraph([
        used({ what: '/media/a' }),
        makeDisk({ name: 'sdc', uses: [makeUse({ on: 'sdc1', what: '/media/a/b' })] }),
      ]),
    },
  },
  {
    title: 'is mounted plainly',
    rule: askAboutPlainMounts,
    code: 'guard.mounted',
    verdict: 'needs approval',
    disk: used({}),
  },
  {
    title: 'has a loop device over a partition',
    rule: refuseOtherHolders,
    code: 'guard.loop-on-it',
    disk: used({ kind: 'loop-backing', what: 'loop0 over /dev/sdb1', through: ['sdb1'] }),
  },
  {
    title: 'is held by a virtual machine',
    rule: refuseOtherHolders,
    code: 'guard.held-open',
    disk: used({ kind: 'open-descriptor', what: 'pid 12 (qemu)', pid: 12 }),
  },
  {
    title: 'holds an encrypted volume',
    rule: askAboutArchives,
    code: 'guard.archive',
    verdict: 'needs approval',
    disk: makeDisk({ signatures: [makeSignature({ type: 'crypto_LUKS', label: 'VAULT' })] }),
  },
];
