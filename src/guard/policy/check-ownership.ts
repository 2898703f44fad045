import path from 'node:path';
import type { PathNumbers, PolicyFiles } from './policy-files.ts';

const rootUser = 0;
const writableByOthers = 0o022;
const stickyBit = 0o1000;

function complaintsAbout(name: string, numbers: PathNumbers, isStickyEnough: boolean): string[] {
  const mode = (numbers.mode & 0o7777).toString(8).padStart(4, '0');
  const complaints: string[] = [];
  if (numbers.uid !== rootUser) complaints.push(`${name} belongs to user ${numbers.uid}, not to root`);
  const isProtected = isStickyEnough && (numbers.mode & stickyBit) !== 0;
  if ((numbers.mode & writableByOthers) !== 0 && !isProtected) {
    complaints.push(`${name} is writable by others (mode ${mode})`);
  }
  return complaints;
}

/** The folders that lead to a file, the nearest first, `/` last. */
function foldersAbove(file: string): string[] {
  const folder = path.dirname(file);
  return folder === file ? [] : [folder, ...foldersAbove(folder)];
}

/**
 * Why a policy file cannot be trusted; empty where it can. The file has to be a plain one, and it and every folder
 * above it must belong to root and not be writable by group or others: whoever can rename a folder on the way can
 * exchange the file. No part of the path is a symbolic link. A folder further up may be writable if it is sticky
 * (as /tmp is), since there nobody can move what belongs to root. `file` is absolute and normalized.
 */
export async function findOwnershipFaults(file: string, files: PolicyFiles): Promise<string[]> {
  const own = await files.lstat(file);
  if (own.isSymbolicLink()) return [`${file} is a symbolic link`];
  if (!own.isFile()) return [`${file} is not a regular file`];
  const faults = complaintsAbout(file, own, false);
  for (const [at, folder] of foldersAbove(file).entries()) {
    const numbers = await files.lstat(folder);
    if (!numbers.isDirectory()) faults.push(`${folder} is a symbolic link, not a folder`);
    else faults.push(...complaintsAbout(folder, numbers, at > 0));
  }
  return faults;
}
