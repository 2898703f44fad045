import type { ExtVolume } from '../ext-volume.ts';
import type { WantedUnit } from './wanted-units.ts';

const ownScripts = ['/etc/rc.local'];

const editor = /\b(?:parted|sfdisk|fdisk|sgdisk)\b/;
/** Letters of fdisk's own commands d and n, on lines of their own or in one echoed text. */
const byLetters = /^[ \t]*d[ \t]*$[\s\S]{0,200}^[ \t]*n[ \t]*$|\bd\\n[\s\S]{0,200}n\\n/m;
const byOptions = /\bsfdisk\b.*\s--delete\b|\bsgdisk\b.*\s(?:-d|--delete)\b/;
const moved = /\b(?:resizepart|mkpart)\b/;
/** The end of the disk, as parted, the kernel and blockdev(8) name it. */
const diskEnd = /100%|-1s\b|\/sys\/(?:class\/)?block\/\S*\/size\b|--getsz\b|--getsize64\b/;

/**
 * Does a script give a partition the disk's last sector? One that deletes and makes the partition anew does, and one
 * that moves its end to where the disk ends (common practice of first-boot scripts, no source). growpart and
 * systemd-repart go up to the next partition and are none of these.
 */
function takesTheRest(text: string): boolean {
  const lines = text
    .replace(/\\\n/g, ' ')
    .split('\n')
    .filter((line) => !/^\s*[#;]/.test(line));
  const own = lines.join('\n');
  if (!editor.test(own)) return false;
  return (
    byLetters.test(own) ||
    lines.some((line) => byOptions.test(line)) ||
    (moved.test(own) && diskEnd.test(own))
  );
}

/** Units (and /etc/rc.local) that let a partition grow to the end of the disk when a node starts. */
export async function findRootGrowers(volume: ExtVolume, units: readonly WantedUnit[]): Promise<string[]> {
  const found = units.filter(({ withScripts }) => takesTheRest(withScripts)).map(({ name }) => name);
  for (const path of ownScripts) if (takesTheRest((await volume.text(path)) ?? '')) found.push(path);
  return found;
}
