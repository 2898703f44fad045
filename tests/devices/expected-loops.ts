/**
 * What the guard has to say of every disk of the machines captured with loop devices, where the policy names the loops
 * and the image has 6 MiB in sectors of 512 bytes; see `expected-composed.ts`. `vda` is the disk of the machine that
 * they were captured on, whose content could not be read there.
 */
import { type ExpectedDisk, type ExpectedMachines, fixed, named } from './expected-verdict.ts';

const labDisk = (...uses: string[]): ExpectedDisk => [
  'refused',
  'refuse mounted-elsewhere / on vda',
  ...uses,
  ...fixed,
  'refuse fact-unseen what stands on vda because EPERM',
];

export const loopVerdicts: ExpectedMachines = {
  'loop-plain': {
    loop0: ['allowed', named],
    vda: labDisk('refuse loop-on-it loop0 over /lab/card on vda'),
  },
  'loop-large-sectors': {
    loop0: ['refused', named, 'refuse sector-size'],
    vda: labDisk('refuse loop-on-it loop0 over /lab/card on vda'),
  },
  'loop-read-only': {
    loop0: ['refused', named, 'refuse read-only'],
    vda: labDisk('refuse loop-on-it loop0 over /lab/card on vda'),
  },
  partitions: {
    loop0: ['allowed', named],
    vda: labDisk('refuse loop-on-it loop0 over /lab/card on vda'),
  },
  'two-contents': {
    loop0: ['needs approval', named, 'ask archive on loop0 called btrfs'],
    vda: labDisk('refuse loop-on-it loop0 over /lab/card on vda'),
  },
  mounted: {
    loop0: ['refused', 'refuse mounted-elsewhere /lab/my card on loop0p2', named],
    vda: labDisk(
      'refuse mount-stacked /lab/my card on vda through loop0 → loop0p2',
      'refuse loop-on-it loop0 over /lab/card on vda',
    ),
  },
  'mounted-in-another-namespace': {
    loop0: ['refused', 'refuse mounted-elsewhere /lab/elsewhere on loop0p2', named],
    vda: labDisk(
      'refuse mount-stacked /lab/elsewhere on vda through loop0 → loop0p2',
      'refuse loop-on-it loop0 over /lab/card on vda',
    ),
  },
  'mounted-and-busy': {
    loop0: [
      'refused',
      'refuse mounted-elsewhere /lab/busy on loop0p2',
      'refuse held-open pid N (sh), with a file of its file system on loop0p2',
      named,
    ],
    vda: labDisk(
      'refuse mount-stacked /lab/busy on vda through loop0 → loop0p2',
      'refuse loop-on-it loop0 over /lab/card on vda',
      'refuse held-open pid N (sh), with a file of its file system on vda through loop0 → loop0p2',
    ),
  },
  'lazily-unmounted': {
    loop1: ['refused', 'refuse held-open pid N (sh), with a file of its file system on loop1p2', named],
    vda: labDisk(
      'refuse mounted-elsewhere /lab/lazy on vda',
      'refuse loop-on-it loop1 over /lab/card on vda',
      'refuse held-open pid N (sh), with a file of its file system on vda through loop1 → loop1p2',
    ),
  },
  'swap-partition': {
    loop0: ['refused', 'refuse swap /dev/loop0p2 on loop0p2', named],
    vda: labDisk(
      'refuse swap /dev/loop0p2 on vda through loop0 → loop0p2',
      'refuse loop-on-it loop0 over /lab/card on vda',
    ),
  },
  'swap-file': {
    loop0: [
      'refused',
      'refuse mounted-elsewhere /lab/with swap on loop0p2',
      'refuse swap /lab/with swap/swap file on loop0p2',
      named,
    ],
    vda: labDisk(
      'refuse mount-stacked /lab/with swap on vda through loop0 → loop0p2',
      'refuse swap /lab/with swap/swap file on vda through loop0 → loop0p2',
      'refuse loop-on-it loop0 over /lab/card on vda',
    ),
  },
  'loop-over-partition': {
    loop0: [
      'refused',
      'refuse mount-stacked /lab/through on loop0p2 through loop0p2 → loop1',
      'refuse loop-on-it loop1 over /dev/loop0p2 on loop0p2',
      named,
    ],
    loop1: ['refused', 'refuse mounted-elsewhere /lab/through on loop1', named, 'refuse loop-over-disk'],
    vda: labDisk(
      'refuse mount-stacked /lab/through on vda through loop0 → loop0p2 → loop1',
      'refuse loop-on-it loop0 over /lab/card on vda',
      'refuse loop-on-it loop1 over /dev/loop0p2 on vda through loop0 → loop0p2',
    ),
  },
  'loop-over-file-on-card': {
    loop0: [
      'refused',
      'refuse mounted-elsewhere /lab/holding on loop0p2',
      'refuse loop-on-it loop1 over /lab/holding/inner on loop0p2',
      named,
    ],
    loop1: ['refused', named, 'refuse too-small'],
    vda: labDisk(
      'refuse mount-stacked /lab/holding on vda through loop0 → loop0p2',
      'refuse loop-on-it loop0 over /lab/card on vda',
      'refuse loop-on-it loop1 over /lab/holding/inner on vda through loop0 → loop0p2',
    ),
  },
  'loop-over-deleted-file': {
    loop0: ['allowed', named],
    vda: labDisk('refuse loop-on-it loop0 over /lab/card (deleted) on vda'),
  },
  'btrfs-over-two': {
    loop0: [
      'refused',
      'refuse mount-stacked /lab/pool on loop0',
      'refuse btrfs-member btrfs pool on loop0',
      'refuse loop-on-it loop2 over /lab/pool/sub/inner on loop0',
      named,
      'ask archive on loop0 called pool',
    ],
    loop1: [
      'refused',
      'refuse mount-stacked /lab/pool on loop1',
      'refuse btrfs-member btrfs pool on loop1',
      'refuse loop-on-it loop2 over /lab/pool/sub/inner on loop1',
      named,
      'ask archive on loop1 called pool',
    ],
    loop2: ['refused', named, 'refuse too-small'],
    vda: labDisk(
      'refuse mount-stacked /lab/pool on vda through loop0',
      'refuse mount-stacked /lab/pool on vda through loop1',
      'refuse btrfs-member btrfs pool on vda through loop0',
      'refuse btrfs-member btrfs pool on vda through loop1',
      'refuse loop-on-it loop0 over /lab/first on vda',
      'refuse loop-on-it loop1 over /lab/second on vda',
      'refuse loop-on-it loop2 over /lab/pool/sub/inner on vda through loop0',
      'refuse loop-on-it loop2 over /lab/pool/sub/inner on vda through loop1',
    ),
  },
  'held-open': {
    loop0: [
      'refused',
      'refuse held-open pid N (sh) on loop0',
      'refuse held-open pid N (sh) on loop0p1',
      named,
    ],
    vda: labDisk(
      'refuse loop-on-it loop0 over /lab/card on vda',
      'refuse held-open pid N (sh) on vda through loop0',
      'refuse held-open pid N (sh) on vda through loop0 → loop0p1',
    ),
  },
  'node-elsewhere': {
    loop0: ['refused', 'refuse held-open pid N (sh) on loop0', named],
    vda: labDisk(
      'refuse loop-on-it loop0 over /lab/card on vda',
      'refuse held-open pid N (sh) on vda through loop0',
    ),
  },
  'live-stick': {
    loop0: [
      'refused',
      'refuse mounted-elsewhere /lab/medium on loop0p2',
      'refuse mount-stacked /lab/layer:one on loop0p2 through loop0p2 → loop1',
      'refuse mount-stacked /lab/joined on loop0p2 through loop0p2 → loop1',
      'refuse loop-on-it loop1 over /lab/medium/filesystem.squashfs on loop0p2',
      named,
    ],
    loop1: [
      'refused',
      'refuse mounted-elsewhere /lab/layer:one on loop1',
      'refuse mount-stacked /lab/joined on loop1',
      named,
      'refuse read-only',
      'refuse too-small',
    ],
    vda: labDisk(
      'refuse mount-stacked /lab/medium on vda through loop0 → loop0p2',
      'refuse mount-stacked /lab/layer:one on vda through loop0 → loop0p2 → loop1',
      'refuse mount-stacked /lab/joined on vda through loop0 → loop0p2 → loop1',
      // The names of its layers pass through /, which may have been what they led to.
      'refuse mount-stacked /lab/joined on vda',
      'refuse loop-on-it loop0 over /lab/stick on vda',
      'refuse loop-on-it loop1 over /lab/medium/filesystem.squashfs on vda through loop0 → loop0p2',
    ),
  },
};
