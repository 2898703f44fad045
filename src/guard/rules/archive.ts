import type { Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import { demandedName } from '../approval/demanded-name.ts';
import { archiveSignatures, volumeName } from '../archive-content.ts';

/** Rule 9: content that looks like somebody's archive goes only after the volume's name was typed. */
export function askAboutArchives(disk: Disk): Finding[] {
  const demanded = demandedName(disk) ?? '';
  return archiveSignatures(disk).map((signature) =>
    finding('guard.archive', 'ask', {
      disk: disk.name,
      on: signature.on,
      type: signature.type ?? 'unknown type',
      name: volumeName(signature),
      files: signature.fileCount ?? null,
      demanded,
    }),
  );
}
