import type { FirstBootMechanism, MechanismFacts } from '../contract/identity.ts';
import type { BootVolume } from '../volume/open-volume.ts';

/** What detection asks of a volume. */
export type LookedAtVolume = Pick<BootVolume, 'label' | 'stat' | 'readFile'>;

/** Labels by which a NoCloud reader finds its volume: all upper or all lower case. */
const seedLabels = ['cidata', 'CIDATA', 'system-boot'];
const firstBootScript = /(?:^|\s)init=(\S*first[-_]?(?:boot|run)\S*)/i;
const longestKernelLine = 65_536;

const carriesAll = { hostName: true, authorizedKeys: true, password: true, network: true, hostKeys: true };
const carriesNothing = {
  hostName: false,
  authorizedKeys: false,
  password: false,
  network: false,
  hostKeys: false,
};

function facts(
  mechanism: FirstBootMechanism,
  evidence: string[],
  carries: MechanismFacts['carries'],
): MechanismFacts {
  return { mechanism, evidence, carries };
}

function isFile(volume: LookedAtVolume, path: string): boolean {
  return volume.stat(path)?.kind === 'file';
}

function readKernelLine(volume: LookedAtVolume): string {
  const entry = volume.stat('cmdline.txt');
  if (entry?.kind !== 'file' || entry.sizeBytes > longestKernelLine) return '';
  return Buffer.from(volume.readFile('cmdline.txt')).toString('latin1');
}

/**
 * Tells from the boot volume alone how an image takes its first-boot settings. NoCloud: by its two files, or by the
 * volume's label (cloud-init, "NoCloud": vfat labelled cidata or CIDATA; system-boot is a widespread setting of the
 * same reader). Marker files: by a first-boot script on the kernel line, or by the pair config.txt and cmdline.txt
 * (common practice, no source). Anything else is "none": no guess is made.
 */
export function detectMechanism(volume: LookedAtVolume): MechanismFacts {
  const seedFiles = ['user-data', 'meta-data'].filter((path) => isFile(volume, path));
  const hasSeedLabel = volume.label !== null && seedLabels.includes(volume.label);
  const labelEvidence = hasSeedLabel ? [`label ${volume.label}`] : [];
  if (seedFiles.length === 2) return facts('nocloud-files', [...seedFiles, ...labelEvidence], carriesAll);
  if (hasSeedLabel) return facts('nocloud-label', [...labelEvidence, ...seedFiles], carriesAll);
  const bootFiles = ['config.txt', 'cmdline.txt'].filter((path) => isFile(volume, path));
  const script = firstBootScript.exec(readKernelLine(volume))?.[1];
  if (script !== undefined || bootFiles.length === 2) {
    const evidence = [...bootFiles, ...(script === undefined ? [] : [`init=${script} in cmdline.txt`])];
    const hasKernelLine = bootFiles.includes('cmdline.txt');
    return facts('marker-files', evidence, { ...carriesNothing, hostName: hasKernelLine, password: true });
  }
  return facts('none', seedFiles, carriesNothing);
}
