import type { RootFacts } from '../contract/root-facts.ts';
import { isAtLeast, nameProgram } from './first-boot-program.ts';

/** Where the first-boot program (cloud-init, "NoCloud") takes its files from, seen from the boot volume. */
export type SeedPlace =
  | {
      found: true;
      /** the volume is found by its label, or its folder is named */
      by: 'label' | 'folder';
      evidence: string;
      /** why network settings are not read there; null where they are */
      whyNetworkUnread: string | null;
    }
  | { found: false; why: string };

export interface BootVolumeFacts {
  label: string | null;
  /** cmdline.txt, or '' */
  kernelLine: string;
}

const sourceOnLine = /(?:^|\s)ds=nocloud(?:-net)?(?:;(\S*))?(?=\s|$)/i;
/** Where FAT boot volumes are mounted when fstab does not say (common practice, no source). */
const usualFolders = ['/boot/firmware', '/boot'];

/** NoCloud looks for the label in capitals, in small letters, and as it is written. */
export function isLabel(label: string | null, wanted: string): boolean {
  return label !== null && [wanted, wanted.toUpperCase(), wanted.toLowerCase()].includes(label);
}

/** What the kernel line says about the source: null nothing, else where it sends NoCloud ('' for nowhere else). */
function seedOnLine(kernelLine: string): string | null {
  const match = sourceOnLine.exec(kernelLine);
  if (!match) return null;
  return /(?:^|;)(?:s|seedfrom)=([^;]*)/.exec(match[1] ?? '')?.[1] ?? '';
}

/** Why the program would not come to look for files at all; null where it would. */
export function whyNotStarted(root: RootFacts, kernelLine: string): string | null {
  if (root.offBy !== null)
    return `${root.offBy} in the root volume keeps ${nameProgram(root.program)} from running`;
  if (/(?:^|\s)cloud-init=disabled(?:\s|$)/.test(kernelLine)) {
    return `cloud-init=disabled on the kernel line keeps ${nameProgram(root.program)} from running`;
  }
  const { datasources } = root.settings;
  if (datasources === null || datasources.includes('NoCloud') || seedOnLine(kernelLine) !== null) return null;
  return `${nameProgram(root.program)} tries only ${datasources.join(', ') || 'no source at all'} (datasource_list)`;
}

function plainFolder(path: string): string {
  return path.replace(/^file:\/\//, '').replace(/\/+$/, '') || '/';
}

function bootFolders({ bootFolders: mounted }: RootFacts): string[] {
  return (mounted.length > 0 ? mounted : usualFolders).map(plainFolder);
}

/**
 * Network settings beside a seed that is read by a folder's name: from 24.3 on (cloud-init's change log; 22.4.2 was
 * seen to leave them out). The seed folders below /var/lib/cloud have always had them.
 */
function whyFolderHasNoNetwork({ program }: RootFacts): string | null {
  if (isAtLeast(program, 24, 3) === true) return null;
  return `${nameProgram(program)} reads network settings only from a volume that it finds by its label; from a named folder it does from 24.3 on`;
}

/** The slash: cloud-init 22.4.2, util.read_seeded; 24.1 puts it there itself (features.py, from memory). */
function placeOfFolder(seedFrom: string, root: RootFacts, hasLabel: boolean): SeedPlace {
  if (!/^(?:file:\/\/)?\//.test(seedFrom)) {
    return { found: false, why: `${nameProgram(root.program)} takes its files from ${seedFrom} (seedfrom)` };
  }
  if (!bootFolders(root).includes(plainFolder(seedFrom))) {
    return {
      found: false,
      why: `${nameProgram(root.program)} takes its files from ${seedFrom} (seedfrom), which is not the top of the boot volume`,
    };
  }
  if (!seedFrom.endsWith('/') && isAtLeast(root.program, 24, 1) === false) {
    return {
      found: false,
      why: `${nameProgram(root.program)} takes its files from ${seedFrom} (seedfrom), and before 24.1 a folder needs a slash at its end`,
    };
  }
  const whyNetworkUnread = hasLabel ? null : whyFolderHasNoNetwork(root);
  return { found: true, by: 'folder', evidence: `seedfrom ${seedFrom}`, whyNetworkUnread };
}

/**
 * Whether the program in the root volume finds the node's files at the top of the boot volume, and how
 * (cloud-init 22.4.2, DataSourceNoCloud: a seed that is named comes before the label; the label decides otherwise).
 */
export function findSeedPlace({ label, kernelLine }: BootVolumeFacts, root: RootFacts): SeedPlace {
  const notStarted = whyNotStarted(root, kernelLine);
  if (notStarted !== null) return { found: false, why: notStarted };
  const wanted = root.settings.fsLabel;
  const hasLabel = wanted !== null && isLabel(label, wanted);
  const seedFrom = seedOnLine(kernelLine) || root.settings.seedFrom;
  if (seedFrom) return placeOfFolder(seedFrom, root, hasLabel);
  if (hasLabel) return { found: true, by: 'label', evidence: `label ${label}`, whyNetworkUnread: null };
  const linked = root.seedFolders.find(
    ({ leadsTo }) => leadsTo !== null && bootFolders(root).includes(plainFolder(leadsTo)),
  );
  if (linked) return { found: true, by: 'folder', evidence: linked.path, whyNetworkUnread: null };
  const looks = wanted === null ? 'looks for no volume' : `looks for a volume labelled ${wanted}`;
  return {
    found: false,
    why: `${nameProgram(root.program)} ${looks}, and this one is labelled ${label ?? 'nothing'}`,
  };
}

/** The program's starter looks for the usual label itself; other places it believes if nothing else is in the list. */
function isFoundByStarter({ label, kernelLine }: BootVolumeFacts, { settings }: RootFacts): boolean {
  const sources = settings.datasources ?? [];
  const isAlone =
    sources[0] === 'NoCloud' && (sources.length === 1 || (sources.length === 2 && sources[1] === 'None'));
  return isAlone || isLabel(label, 'cidata') || seedOnLine(kernelLine) !== null;
}

/**
 * What else to know where the node's files are found, a sentence each (ds-identify of cloud-init 22.4.2: its policy
 * for what is not found differs by processor; DataSourceNoCloud, `_merge_new_seed`: the first instance-id stays).
 */
export function seedRemarks(volume: BootVolumeFacts, root: RootFacts): string[] {
  const own = root.seedFolders.find(({ leadsTo }) => leadsTo === null);
  return [
    ...(isFoundByStarter(volume, root)
      ? []
      : [
          'On a computer with an x86 processor it starts only if its list of sources (datasource_list) names NoCloud alone.',
        ]),
    ...(own
      ? [
          `What is in ${own.path} of the root volume is read before the node’s files, and its instance-id stays.`,
        ]
      : []),
  ];
}

/**
 * What of the image lets a partition run over a volume at the card's far end: units and scripts in the root volume, and
 * the script on the kernel line that the most common SBC images resize with (common practice, no source).
 */
export function whatTakesTheRest(root: RootFacts | null, kernelLine: string): string[] {
  const onLine = /(?:^|\s)(init=\S*resize\S*)/.exec(kernelLine)?.[1];
  return [...(onLine === undefined ? [] : [onLine]), ...(root?.rootGrowers ?? [])];
}

export interface SeedVolumeOutlook {
  works: boolean;
  /** plain words without a full stop */
  why: string;
}

/** Could a small volume labelled CIDATA be made behind the image, and would a node from it read that one? Pure. */
export function seedVolumeWouldWork(root: RootFacts, kernelLine = ''): SeedVolumeOutlook {
  if (root.program === null)
    return { works: false, why: 'no first-boot program (cloud-init) was found in the root volume' };
  if (root.partition === 0) return { works: false, why: 'the image has no partition table to enter it in' };
  const takers = whatTakesTheRest(root, kernelLine);
  if (takers.length > 0)
    return { works: false, why: `the image grows to the last sector of the card (${takers.join(', ')})` };
  const place = findSeedPlace({ label: 'CIDATA', kernelLine }, root);
  if (!place.found) return { works: false, why: place.why };
  if (place.by === 'folder') {
    return {
      works: false,
      why: `${nameProgram(root.program)} takes its files from a named folder (${place.evidence}), which comes first`,
    };
  }
  return {
    works: true,
    why: `${nameProgram(root.program)} in the root volume looks for a volume labelled ${root.settings.fsLabel}`,
  };
}
