import type { CatalogueEntry } from './entry.ts';

const withoutOne = 'take seedVolume out of the plan';

/** About the small volume that a plan may have put behind an image (`seedVolume: far-end`). */
export const seedCodes = {
  'seed.made': {
    exit: 'done',
    what: 'A small volume for the node’s first-boot files, CIDATA, was made at the far end of the card: partition {partition}, {sizeBytes} bytes from byte {startByte} on.',
    next: 'Nothing: the node looks for it by its label, and the partition before it can still grow up to it.',
  },
  'seed.no-table': {
    exit: 'imageRejected',
    what: 'The plan asks for a seed volume behind the image, and the image has no partition table to enter it in (it is {shape}).',
    next: `Use an image with partitions, or one whose boot volume takes NoCloud files; else ${withoutOne}.`,
  },
  'seed.table-unfit': {
    exit: 'imageRejected',
    what: 'The plan asks for a seed volume behind the image, and it cannot be entered in the image’s partition table: {why}.',
    next: `Use an image with a plain partition table, or one whose boot volume takes NoCloud files; else ${withoutOne}.`,
  },
  'seed.table-full': {
    exit: 'imageRejected',
    what: 'The plan asks for a seed volume behind the image, and all {count} entries of the image’s partition table ({table}) are used.',
    next: `Use an image with a partition less, or one whose boot volume takes NoCloud files; else ${withoutOne}.`,
  },
  'seed.second-volume': {
    exit: 'imageRejected',
    what: 'The plan asks for a seed volume, and the image has one already (partition {partition}, label {label}): a node reads only the first it finds.',
    next: 'Take seedVolume out of the plan: the node’s files then go into the image’s own volume.',
  },
  'seed.not-needed': {
    exit: 'imageRejected',
    what: 'The plan asks for a seed volume, and the image’s own boot volume takes the node’s files (seen by {evidence}): with both, nobody could say which the node follows.',
    next: 'Take seedVolume out of the plan: the node’s files then go into the image’s own volume.',
  },
  'seed.nobody-reads': {
    exit: 'imageRejected',
    what: 'The plan asks for a seed volume, and a node from this image would not read it: {why}.',
    next: `Use an image whose first-boot program looks for a volume labelled CIDATA; else ${withoutOne}.`,
  },
  'seed.root-takes-all': {
    exit: 'imageRejected',
    what: 'The image’s root volume grows to the last sector of the card when it starts for the first time ({evidence}): it would run over a seed volume there.',
    next: 'Use an image whose root volume grows only up to the next partition, or one whose boot volume takes NoCloud files.',
  },
} as const satisfies Record<string, CatalogueEntry>;
