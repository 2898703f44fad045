import type { Phase } from '../../contract/job.ts';

/** A phase as a label of at most nine columns. */
export const phaseLabels: Record<Phase, string> = {
  enumerate: 'look',
  image: 'image',
  approve: 'approve',
  claim: 'claim',
  'hand-over': 'hand over',
  'head-off': 'head off',
  probe: 'probe',
  write: 'write',
  personalize: 'files',
  verify: 'verify',
  seal: 'seal',
  release: 'release',
};

/** What a phase is doing, for a log file. */
export const phaseWork: Record<Phase, string> = {
  enumerate: 'looking at the disks',
  image: 'reading the image through',
  approve: 'waiting for the approval code',
  claim: 'claiming the card',
  'hand-over': 'handing the card to the process that writes',
  'head-off': 'clearing the first MiB: from here on the card does not boot',
  probe: 'looking for a false size',
  write: 'writing the image',
  personalize: 'putting the node files in',
  verify: 'reading everything back from the card',
  seal: 'writing the first sectors, the last thing to go on',
  release: 'letting go of the card',
};
