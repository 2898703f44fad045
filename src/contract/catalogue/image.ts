import type { CatalogueEntry } from './entry.ts';

const containerCodes = {
  'image.unreadable': {
    exit: 'imageRejected',
    what: 'The image {path} cannot be read: {why}.',
    next: 'Check the path and its permissions: it is read with your own rights.',
  },
  'image.not-a-regular-file': {
    exit: 'imageRejected',
    what: '{path} is {kind}, but an image has to be a regular file.',
    next: 'Give the path of an image file. To copy a card, read it into a file first.',
  },
  'image.empty': {
    exit: 'imageRejected',
    what: 'There is nothing to write: {path} holds an image of 0 bytes.',
    next: 'Fetch the image again; the download probably never began.',
  },
  'image.changed': {
    exit: 'imageRejected',
    what: 'The image {path} was changed or replaced while it was in use.',
    next: 'Wait until whatever writes to the file has ended, then start again.',
  },
  'image.not-an-image': {
    exit: 'imageRejected',
    what: '{path} is not a disk image: it holds {kind}.',
    next: 'Give the image file itself; fetch it again if this is what a download left behind.',
  },
  'image.nested-container': {
    exit: 'imageRejected',
    what: 'Inside the {outer} file {path} there is another packed file ({inner}), not an image.',
    next: 'Unpack the outer file once and give what was in it.',
  },
  'image.damaged': {
    exit: 'imageRejected',
    what: 'The {container} file is damaged: {detail}.',
    next: 'Fetch the image again and compare its checksum with the published one.',
  },
  'image.truncated': {
    exit: 'imageRejected',
    what: 'The {container} file is cut off: {detail}.',
    next: 'Fetch the image again: the end of it is missing.',
  },
  'image.trailing-garbage': {
    exit: 'imageRejected',
    what: 'After the end of the {container} data something else follows: {detail}.',
    next: 'Fetch the image again: two files ran together, or something was appended.',
  },
  'image.size-differs': {
    exit: 'imageRejected',
    what: 'The {container} file promises {promisedBytes} bytes but unpacks to {foundBytes}.',
    next: 'Fetch the image again and compare its checksum with the published one.',
  },
  'image.dictionary-too-large': {
    exit: 'imageRejected',
    what: 'Unpacking this {container} file needs a dictionary of {neededBytes} bytes; the limit is {limitBytes}.',
    next: 'Pack the image again with ordinary settings (xz -9 and zstd --long=27 are still within the limit).',
  },
  'image.needs-dictionary': {
    exit: 'imageRejected',
    what: 'This zst file was packed with an external dictionary (number {dictionary}), which is not in it.',
    next: 'Pack the image again without a dictionary.',
  },
  'image.check-unsupported': {
    exit: 'imageRejected',
    what: 'This xz file uses an integrity check (number {check}) that the xz program cannot verify.',
    next: 'Pack the image again with --check=sha256 or --check=crc64.',
  },
  'image.method-unsupported': {
    exit: 'imageRejected',
    what: 'This {container} file is packed with method {method}, which is not supported.',
    next: 'Pack the image again: deflate or stored for zip, or use xz, zst or gz.',
  },
  'image.zip-encrypted': {
    exit: 'imageRejected',
    what: 'The image {member} inside the zip file is encrypted.',
    next: 'Unpack it with its password first and give the image itself.',
  },
  'image.zip-members': {
    exit: 'imageRejected',
    what: 'The zip file has to hold exactly one image; it holds {count} files: {names}.',
    next: 'Unpack it and give the image itself.',
  },
  'image.decoder-missing': {
    exit: 'imageRejected',
    what: 'The program {program} is not installed.',
    next: 'Install it: apt-get install {package}.',
  },
  'image.decoder-failed': {
    exit: 'imageRejected',
    what: 'The program {program} did not end properly: {detail}.',
    next: 'Try it once more; if it fails again, unpack the image by hand to see why.',
  },
  'image.decoding-stopped': {
    exit: 'cancelled',
    what: 'Unpacking the image was stopped before its end.',
    next: 'Start again when you are ready.',
  },
  'image.needs-unpacking': {
    exit: 'imageRejected',
    what: 'The partition table of this packed image points backwards (to byte {offset}), so it cannot be read in one pass.',
    next: 'Unpack the image and give the unpacked file.',
  },
} as const satisfies Record<string, CatalogueEntry>;

const layoutCodes = {
  'image.incomplete': {
    exit: 'imageRejected',
    what: 'The image is incomplete: {part} ends at byte {endByte}, but the image has only {sizeBytes} bytes.',
    next: 'Fetch the image again: its end is missing.',
  },
  'image.table-damaged': {
    exit: 'imageRejected',
    what: 'The partition table ({table}) is damaged: {problem}.',
    next: 'Fetch the image again, or build it again; a card made from it would not boot.',
  },
  'image.partitions-overlap': {
    exit: 'imageRejected',
    what: 'Partitions {first} and {second} overlap: both claim byte {atByte}.',
    next: 'Build the image again with partitions that do not overlap.',
  },
} as const satisfies Record<string, CatalogueEntry>;

const noteCodes = {
  'image.no-integrity': {
    exit: 'done',
    what: 'The {container} file carries no check of its content: damage inside it would not be noticed.',
    next: 'Give the published checksum with --sha256 or --sums.',
  },
  'image.size-hint': {
    exit: 'done',
    what: 'The gz file hints at {hintBytes} bytes (or that plus a multiple of 4,294,967,296); only unpacking tells.',
    next: 'Nothing to do: the size is counted before anything is written.',
  },
  'image.zip-other-members': {
    exit: 'done',
    what: 'The zip file also holds {count} other files; only {member} is written.',
    next: 'Nothing to do if {member} is the image you mean.',
  },
  'image.opaque': {
    exit: 'done',
    what: 'Nothing was recognised in the image: no partition table, no file system{bootSignature}.',
    next: 'Be sure that this is an image meant to be written to a whole card, such as a boot loader.',
  },
  'image.hybrid': {
    exit: 'done',
    what: 'A hybrid image: {filesystem} from its first block on and a partition table as well.',
    next: 'Nothing to do: it is written as it is.',
  },
  'image.partition-at-block-0': {
    exit: 'done',
    what: 'Partition {partition} begins at block 0, as in hybrid images.',
    next: 'Nothing to do: it is written as it is.',
  },
  'image.overlap-in-hybrid': {
    exit: 'done',
    what: 'Partitions {first} and {second} of this hybrid image overlap, as they are meant to.',
    next: 'Nothing to do: it is written as it is.',
  },
  'image.entry-longer-than-image': {
    exit: 'done',
    what: 'The {entry} entry of the partition table is longer than the image; the image itself is whole.',
    next: 'Nothing to do: it is written as it is.',
  },
  'image.hybrid-mbr': {
    exit: 'done',
    what: 'Beside its GPT the image has {count} ordinary MBR entries; the GPT is what is read here.',
    next: 'Nothing to do: it is written as it is.',
  },
  'image.gpt-without-protection': {
    exit: 'done',
    what: 'A GPT is present but the MBR does not announce it, so most systems will not use it.',
    next: 'Nothing to do if the image is known to boot.',
  },
  'image.backup-table-missing': {
    exit: 'done',
    what: 'The second copy of the GPT is not where the first one says (byte {expectedByte}).',
    next: 'Nothing to do: the node works from the first copy and usually writes a new second one.',
  },
  'image.backup-table-damaged': {
    exit: 'done',
    what: 'The second copy of the GPT is damaged: {problem}.',
    next: 'Compare the checksum of the image with the published one.',
  },
  'image.volume-longer-than-partition': {
    exit: 'done',
    what: 'The {type} volume in partition {partition} claims {volumeBytes} bytes, more than the partition has ({sizeBytes}).',
    next: 'Compare the checksum of the image with the published one: such a volume often does not mount.',
  },
  'image.sector-size': {
    exit: 'done',
    what: 'The image is laid out for sectors of {sectorBytes} bytes.',
    next: 'It fits only disks with sectors of that size.',
  },
  'image.partial-sector': {
    exit: 'done',
    what: 'The image has {sizeBytes} bytes, not a whole number of 512-byte sectors; the rest of the last is filled with zeros.',
    next: 'Nothing to do.',
  },
} as const satisfies Record<string, CatalogueEntry>;

const hazardCodes = {
  'image.machine-id-set': {
    exit: 'done',
    what: 'The image carries a machine identity ({file}): every node made from it will call itself the same.',
    next: 'Empty that file in the image, or use an image that was never booted.',
  },
  'image.host-keys-inside': {
    exit: 'done',
    what: 'The image carries SSH host keys ({names}): every node made from it will show the same keys.',
    next: 'Remove them from the image, or let the plan create keys for each node.',
  },
  'image.first-boot-done': {
    exit: 'done',
    what: 'The image has already been through its first boot ({evidence}): what is set for a node may not be taken up.',
    next: 'Use an image that was never booted, or clean it (cloud-init clean).',
  },
  'image.first-boot-skipped': {
    exit: 'done',
    what: 'The machine identity in the image is an empty file: units that wait for a first boot will not run.',
    next: 'Nothing to do unless the image relies on them; "uninitialized" in {file} makes them run.',
  },
  'image.hazards-not-looked-at': {
    exit: 'done',
    what: 'Whether nodes made from this image would collide was not looked at: {why}.',
    next: 'Inspect the unpacked image to have it looked at.',
  },
} as const satisfies Record<string, CatalogueEntry>;

const checksumCodes = {
  'image.checksum-malformed': {
    exit: 'imageRejected',
    what: 'This is not a SHA-256 digest (64 hexadecimal digits): {given}.',
    next: 'Copy the whole digest from where the image is published.',
  },
  'image.checksum-differs': {
    exit: 'imageRejected',
    what: 'The checksum of {path} differs: expected {expected}, found {found}.',
    next: 'Fetch the image again; do not use this one.',
  },
  'image.sums-unreadable': {
    exit: 'imageRejected',
    what: 'The checksum file {file} cannot be used: {problem}.',
    next: 'Fetch the SHA256SUMS file that is published beside the image.',
  },
  'image.sums-without-entry': {
    exit: 'imageRejected',
    what: 'The checksum file {file} has {count} entries, none for {name}.',
    next: 'Fetch the checksum file that belongs to this image, or give the image its published name.',
  },
  'image.sums-ambiguous': {
    exit: 'imageRejected',
    what: 'The checksum file {file} has {count} different digests for {name}.',
    next: 'Give the right digest with --sha256.',
  },
  'image.sums-need-keyring': {
    exit: 'imageRejected',
    what: 'The checksum file {file} is signed inside itself, and lines outside the signature would not be noticed.',
    next: 'Give the keyring to check it with: --keyring F.',
  },
  'image.signature-without-keyring': {
    exit: 'imageRejected',
    what: 'A signature was given for {file}, but no keyring to check it with.',
    next: "Give the keyring that holds the publisher's key: --keyring F.",
  },
  'image.signature-bad': {
    exit: 'imageRejected',
    what: 'The signature of {file} is wrong: the file is not what was signed.',
    next: 'Fetch the file and its signature again; do not use the image.',
  },
  'image.signature-key-unknown': {
    exit: 'imageRejected',
    what: 'The signature of {file} was made with key {key}, which is not in the keyring {keyring}.',
    next: "Get the publisher's key by a way you trust and add it to the keyring.",
  },
  'image.signature-key-expired': {
    exit: 'imageRejected',
    what: 'The signature of {file} or its key has expired ({key}).',
    next: "Get the publisher's renewed key, or a newer image.",
  },
  'image.signature-key-revoked': {
    exit: 'imageRejected',
    what: 'The key that signed {file} was revoked ({key}).',
    next: 'Do not use the image; ask its publisher.',
  },
  'image.signature-missing': {
    exit: 'imageRejected',
    what: 'No usable signature was found for {file}: {detail}.',
    next: 'Give the signature file that is published beside it.',
  },
  'image.keyring-armored': {
    exit: 'imageRejected',
    what: 'The keyring {keyring} is in text form; gpgv reads only the binary form.',
    next: 'Convert it: gpg --dearmor < KEYRING > KEYRING.gpg, then give that file.',
  },
} as const satisfies Record<string, CatalogueEntry>;

export const imageCodes = {
  ...containerCodes,
  ...layoutCodes,
  ...noteCodes,
  ...hazardCodes,
  ...checksumCodes,
} as const satisfies Record<string, CatalogueEntry>;
