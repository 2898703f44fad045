import type { ProgramPlaces } from '../../daemon/install/laid-files.ts';
import { services, sockets } from '../../daemon/install/laid-files.ts';
import type { Step } from '../../daemon/install/plan-install.ts';
import type { Tone } from '../text/ink.ts';
import { entries, entry, type Sheet } from '../text/sheet.ts';

/** What was done, and what would be. */
const words: Record<Step['action'], { did: string; would: string; tone: Tone }> = {
  'make-folder': { did: 'made', would: 'to make', tone: 'good' },
  'make-file': { did: 'made', would: 'to make', tone: 'good' },
  'renew-file': { did: 'renewed', would: 'to renew', tone: 'good' },
  'remove-file': { did: 'removed', would: 'to remove', tone: 'good' },
  'remove-folder': { did: 'removed', would: 'to remove', tone: 'good' },
  same: { did: 'as it is', would: 'as it is', tone: 'faint' },
  keep: { did: 'kept', would: 'to keep', tone: 'care' },
};

export function stepLine(
  { action, path, why }: { action: Step['action']; path: string; why: string | null },
  dryRun: boolean,
  sheet: Sheet,
): string[] {
  const { did, would, tone } = words[action];
  return entry(sheet, dryRun ? would : did, [path, why], { tone });
}

export const programLine = (program: string, dryRun: boolean, sheet: Sheet): string[] =>
  entry(sheet, dryRun ? 'to run' : 'ran', program, { tone: 'good' });

/** What the units run, and what is left to a person: who gets in, and when. */
export function installedScreen({ home, node }: ProgramPlaces, sheet: Sheet): string[] {
  return [
    ...entry(sheet, 'program', [home, `run by ${node}`, 'it stays there; install again if it moves']),
    ...entries(
      sheet,
      'next',
      [
        'Read /etc/cardwright/policy.yaml: it says what may be written here.',
        'Let people in: usermod --append --groups cardwright-write NAME (or cardwright-look, cardwright-administer).',
        `Start it: systemctl enable --now ${sockets.join(' ')}`,
        `After a new version, when no job runs: systemctl try-restart ${services.join(' ')}`,
      ],
      { tone: 'strong' },
    ),
  ];
}

/** What a system's own program made, and nothing here takes away. */
export const removedScreen = (sheet: Sheet): string[] =>
  entry(sheet, 'left', [
    'the user cardwright-front with its folder /var/lib/cardwright-front',
    'the groups cardwright-look, cardwright-write and cardwright-administer',
    'files may still belong to them',
  ]);
