import { join } from 'node:path';
import { type Finding, finding } from '../../contract/finding.ts';
import { findOwnershipFaults } from '../../guard/policy/check-ownership.ts';
import { type PolicyFiles, systemPolicyFiles } from '../../guard/policy/policy-files.ts';
import type { ProgramPlaces } from './laid-files.ts';

/** What ProtectHome and PrivateTmp put out of the front's sight (systemd.exec(5)). */
const hiddenFolders = ['/home', '/root', '/run/user', '/tmp', '/var/tmp'];

const partsRunAsRoot = ['dist/station.js', 'dist/worker.cjs', 'node_modules/better-sqlite3/package.json'];

/** The front cannot start from a place that is hidden from it. */
export function findHidden({ home, node }: ProgramPlaces): Finding[] {
  return [home, node].flatMap((path) => {
    const folder = hiddenFolders.find((one) => path.startsWith(`${one}/`));
    return folder ? [finding('daemon.program-hidden', 'note', { path, folder })] : [];
  });
}

/** Whoever can change the program can do what root can: by the same rule as for the policy. */
export async function findWritable(
  { home, node }: ProgramPlaces,
  files: PolicyFiles = systemPolicyFiles,
): Promise<Finding[]> {
  const found: Finding[] = [];
  for (const path of [...partsRunAsRoot.map((part) => join(home, part)), node]) {
    const faults = await findOwnershipFaults(path, files);
    if (faults.length === 0) continue;
    found.push(finding('daemon.program-writable', 'note', { path, why: faults.join('; ') }));
  }
  return found;
}
