/**
 * What the guard has to say of every disk of the guest's machines, with the built-in policy; see
 * `expected-composed.ts`. The guest's own folders lie on an overlay over the machine that it runs on, which no disk of
 * the guest bears, so that is left out of what could not be traced.
 */
import { allowed, type ExpectedMachines, fixed } from './expected-verdict.ts';

export const guestVerdicts: ExpectedMachines = {
  'guest-station': {
    'dm-0': ['refused', 'refuse mounted-elsewhere /srv/vault on dm-0', 'refuse not-a-card'],
    mmcblk0: allowed,
    nvme0n1: [
      'refused',
      'refuse mount-stacked /srv/vault on nvme0n1 through dm-0 (vault)',
      'refuse stacked dm-0 (vault) on nvme0n1',
      ...fixed,
      'ask archive on nvme0n1 called by its UUID',
    ],
    sda: ['needs approval', 'ask mounted /media/card on sda2'],
    sdc: allowed,
    sdd: [
      'refused',
      'refuse mount-stacked /srv/pool on sdd',
      'refuse btrfs-member btrfs pool on sdd',
      ...fixed,
      'ask archive on sdd called pool',
    ],
    sde: [
      'refused',
      'refuse mount-stacked /srv/pool on sde',
      'refuse btrfs-member btrfs pool on sde',
      ...fixed,
      'ask archive on sde called pool',
    ],
  },
  'guest-root-on-sd': {
    mmcblk0: ['refused', 'refuse mounted-elsewhere / on mmcblk0p1'],
    sda: allowed,
  },
};
