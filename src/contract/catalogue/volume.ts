import type { CatalogueEntry } from './entry.ts';

export const volumeCodes = {
  'volume.library-not-loaded': {
    exit: 'unexpected',
    what: 'The FAT library was not ready: {why}.',
    next: 'This is a fault in the program; report it with the line above.',
  },
  'volume.library-failed': {
    exit: 'unexpected',
    what: 'The FAT library answered {result} to {call} of {path}.',
    next: 'Check the boot volume with fsck.vfat -n; if it finds nothing, report this as a fault in the program.',
  },
  'volume.closed': {
    exit: 'unexpected',
    what: 'A boot volume was used after it had been closed or given up.',
    next: 'This is a fault in the program; report it with the line above.',
  },
  'volume.too-many-open': {
    exit: 'unexpected',
    what: 'More than {most} boot volumes were open at once.',
    next: 'This is a fault in the program; report it with the line above.',
  },
  'volume.out-of-bounds': {
    exit: 'unexpected',
    what: '{length} bytes at byte {offset} lie outside the volume or the card; nothing was done there.',
    next: 'This is a fault in the program; report it with the line above.',
  },
  'volume.too-much-held': {
    exit: 'personalizationFailed',
    what: 'Editing the boot volume would change more than {mostBytes} bytes of it.',
    next: 'Put fewer or smaller files into the plan.',
  },
  'volume.read-failed': {
    exit: 'personalizationFailed',
    what: 'The boot volume could not be read ({reason}).',
    next: 'Try the card in another reader; if it fails there too, do not use it.',
  },
  'volume.not-fat': {
    exit: 'imageRejected',
    what: 'The boot volume holds no FAT file system: {why}.',
    next: 'Use an image whose boot volume is FAT12, FAT16 or FAT32.',
  },
  'volume.bad-geometry': {
    exit: 'imageRejected',
    what: 'The boot volume describes itself in a way that cannot be: {why}.',
    next: 'Fetch the image again and compare its checksum; a sound image does not look like this.',
  },
  'volume.too-large': {
    exit: 'imageRejected',
    what: 'The boot volume has {clusters} clusters; no more than {most} are edited.',
    next: 'Use an image with a smaller boot volume.',
  },
  'volume.damaged': {
    exit: 'imageRejected',
    what: 'The boot volume is damaged: {why}.',
    next: 'Repair a copy of the image with fsck.vfat, or fetch the image again and compare its checksum.',
  },
  'volume.dirty': {
    exit: 'done',
    what: 'The boot volume was not closed cleanly before the image was made ({where}).',
    next: 'Nothing has to be done; the mark is left as it is, and the node checks the volume at its first boot.',
  },
  'volume.copies-differ': {
    exit: 'done',
    what: 'The two copies of the allocation table differ, first at byte {offset}; the first copy was followed.',
    next: 'Check the image with fsck.vfat -n when there is time.',
  },
  'volume.free-count-wrong': {
    exit: 'done',
    what: 'The boot volume says that {said} clusters are free; {found} are.',
    next: 'Nothing has to be done: the number is put right as soon as a file is written.',
  },
  'volume.read-only-replaced': {
    exit: 'done',
    what: '{path} was marked read-only in the image and was replaced or removed all the same.',
    next: 'Nothing has to be done.',
  },
  'volume.bad-name': {
    exit: 'personalizationFailed',
    what: '{path} cannot be a file in the boot volume: {why}.',
    next: 'Give the file another name in the plan.',
  },
  'volume.not-found': {
    exit: 'personalizationFailed',
    what: 'There is no {path} in the boot volume.',
    next: 'Look at what the image holds with inspect.',
  },
  'volume.not-a-file': {
    exit: 'personalizationFailed',
    what: '{path} is a folder in the boot volume, not a file.',
    next: 'Give the file another name in the plan.',
  },
  'volume.not-a-folder': {
    exit: 'personalizationFailed',
    what: '{path} is a file in the boot volume, not a folder.',
    next: 'Give the folder another name in the plan.',
  },
  'volume.file-too-large': {
    exit: 'personalizationFailed',
    what: '{path} has {sizeBytes} bytes; at most {mostBytes} are read from or written to a boot volume.',
    next: 'Put large files onto the node after its first boot.',
  },
  'volume.full': {
    exit: 'personalizationFailed',
    what: '{path} ({sizeBytes} bytes) does not fit into the boot volume, which has {freeBytes} bytes free.',
    next: 'Put fewer or smaller files into the plan, or use an image with a larger boot volume.',
  },
  'volume.folder-full': {
    exit: 'personalizationFailed',
    what: 'There is no room for the entry of {path}: the folder, or the volume, is full.',
    next: 'Put fewer files into the root of the boot volume, or use an image with a larger one.',
  },
} as const satisfies Record<string, CatalogueEntry>;
