import type { FirstBootMechanism, MechanismFacts } from '../contract/identity.ts';
import type { RootFacts, RootLook } from '../contract/root-facts.ts';
import type { BootVolume } from '../volume/open-volume.ts';
import { nameProgram } from './first-boot-program.ts';
import { findSeedPlace, isLabel, seedRemarks } from './seed-place.ts';
import { carriedBy, whyNotCarried } from './what-is-carried.ts';

/** What detection asks of a volume. */
export type LookedAtVolume = Pick<BootVolume, 'label' | 'stat' | 'readFile'>;

const firstBootScript = /(?:^|\s)init=(\S*first[-_]?(?:boot|run)\S*)/i;
const longestKernelLine = 65_536;

/** What the boot volume shows by itself. */
interface Shown {
  label: string | null;
  kernelLine: string;
  /** of user-data and meta-data, those that are there */
  seedFiles: string[];
  /** of config.txt and cmdline.txt, those that are there */
  bootFiles: string[];
  /** a first-boot script on the kernel line */
  script: string | null;
}

function isFile(volume: LookedAtVolume, path: string): boolean {
  return volume.stat(path)?.kind === 'file';
}

function readKernelLine(volume: LookedAtVolume): string {
  const entry = volume.stat('cmdline.txt');
  if (entry?.kind !== 'file' || entry.sizeBytes > longestKernelLine) return '';
  return Buffer.from(volume.readFile('cmdline.txt')).toString('latin1');
}

function lookAt(volume: LookedAtVolume): Shown {
  const kernelLine = readKernelLine(volume);
  return {
    label: volume.label,
    kernelLine,
    seedFiles: ['user-data', 'meta-data'].filter((path) => isFile(volume, path)),
    bootFiles: ['config.txt', 'cmdline.txt'].filter((path) => isFile(volume, path)),
    script: firstBootScript.exec(kernelLine)?.[1] ?? null,
  };
}

type Parts = Partial<Pick<MechanismFacts, 'because' | 'reason' | 'remarks'>>;

function facts(mechanism: FirstBootMechanism, evidence: string[], parts: Parts = {}): MechanismFacts {
  const { because = {}, reason = null, remarks = [] } = parts;
  const carries = { ...carriedBy(mechanism) };
  for (const kind of Object.keys(because) as (keyof typeof because)[]) carries[kind] = false;
  return { mechanism, evidence, carries, because, reason, remarks };
}

function none(evidence: string[], reason: string): MechanismFacts {
  return facts('none', evidence, { reason });
}

/** Of an image that has no boot volume at all. */
export const withoutVolume: MechanismFacts = none(
  [],
  'there is no FAT volume that could carry a node’s files',
);

/** NoCloud by its two files, or by the label that it looks for unless it is told otherwise. */
function noCloudByItself({ label, seedFiles }: Shown, remarks: string[]): MechanismFacts | null {
  const byLabel = isLabel(label, 'cidata') ? [`label ${label}`] : [];
  if (seedFiles.length === 2) return facts('nocloud-files', [...seedFiles, ...byLabel], { remarks });
  return byLabel.length > 0 ? facts('nocloud-label', [...byLabel, ...seedFiles], { remarks }) : null;
}

function noCloudByRoot(shown: Shown, root: RootFacts): MechanismFacts | { why: string } {
  const place = findSeedPlace(shown, root);
  if (!place.found) return place;
  const because = whyNotCarried(root, place.whyNetworkUnread);
  const remarks = [`The node’s files are read by ${nameProgram(root.program)}.`, ...seedRemarks(shown, root)];
  const isComplete = shown.seedFiles.length === 2;
  if (place.by === 'folder' || isComplete) {
    return facts('nocloud-files', [...shown.seedFiles, place.evidence], { because, remarks });
  }
  return facts('nocloud-label', [place.evidence, ...shown.seedFiles], { because, remarks });
}

const onlyPassword = 'Marker files carry no keys: the node would accept a password only.';

/**
 * Marker files by a first-boot script on the kernel line, by what reads them in the root volume, or, where there is
 * nothing to judge by, by the pair config.txt and cmdline.txt (all of it common practice, no source).
 */
function markerFiles({ bootFiles, script }: Shown, root: RootFacts | null): MechanismFacts | null {
  const readers = root?.markerReaders ?? null;
  const isPair = bootFiles.length === 2 && (readers === null || readers.length > 0);
  if (script === null && !isPair) return null;
  const evidence = [
    ...bootFiles,
    ...(script === null ? [] : [`init=${script} in cmdline.txt`]),
    ...(readers ?? []),
  ];
  return facts('marker-files', evidence, { remarks: [onlyPassword] });
}

function whyNothing({ label, seedFiles, bootFiles }: Shown, look: RootLook | null): string {
  if (look?.state === 'read' && look.facts.program === null) {
    if (isLabel(label, 'cidata'))
      return `the boot volume is labelled ${label}, and no program that looks for it was found in the root volume`;
    if (bootFiles.length === 2)
      return 'nothing in the root volume reads marker files, and it has no cloud-init';
  }
  if (isLabel(label, 'system-boot')) {
    return `whether the label ${label} is looked for stands in the root volume, and that was not read`;
  }
  if (seedFiles.length === 1) return `only ${seedFiles[0]} is there, not both of user-data and meta-data`;
  return 'the boot volume has neither user-data and meta-data nor marker files, and its label is not CIDATA';
}

function byRoot(shown: Shown, root: RootFacts): MechanismFacts | null {
  if (root.program !== null) {
    const found = noCloudByRoot(shown, root);
    if ('mechanism' in found) return found;
    return markerFiles(shown, root) ?? none(shown.seedFiles, found.why);
  }
  if (shown.seedFiles.length === 2) {
    return noCloudByItself(shown, [
      'No cloud-init was found in the root volume; another program may read these files.',
    ]);
  }
  return markerFiles(shown, root);
}

/** A label that only settings in the root volume give a meaning says that marker files are not what is meant. */
function byVolumeAlone(shown: Shown): MechanismFacts | null {
  const isUnsure = isLabel(shown.label, 'system-boot');
  return noCloudByItself(shown, []) ?? (isUnsure ? null : markerFiles(shown, null));
}

/**
 * Tells how an image takes its first-boot settings, from the boot volume and from what the root volume says where it
 * was looked at. NoCloud: where cloud-init was found, by where its settings make it look (label, fs_label, seedfrom);
 * else by its two files or the label cidata or CIDATA (cloud-init, "NoCloud"). Then marker files. Anything else is
 * "none", with the reason: no guess is made.
 *
 * @param look null where the root volume was not looked at
 */
export function detectMechanism(volume: LookedAtVolume, look: RootLook | null = null): MechanismFacts {
  const shown = lookAt(volume);
  const root = look?.state === 'read' ? look.facts : null;
  const found = root ? byRoot(shown, root) : byVolumeAlone(shown);
  return found ?? none(shown.seedFiles, whyNothing(shown, look));
}
