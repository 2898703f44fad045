import { escapeText } from '../../contract/escape-text.ts';
import { describeFinding } from '../../contract/finding.ts';
import type { Carried, MechanismFacts } from '../../contract/identity.ts';
import type { RootFacts, RootLook } from '../../contract/root-facts.ts';
import { nameProgram } from '../../identity/first-boot-program.ts';
import { keepHostKey } from '../../identity/host-key-promise.ts';
import type { SeedVolumeOutlook } from '../../identity/seed-place.ts';
import { carriedNames } from '../../identity/what-is-carried.ts';
import { entries, entry, type Sheet } from '../text/sheet.ts';

const mechanisms: Record<MechanismFacts['mechanism'], string> = {
  'nocloud-files': 'NoCloud, by files in the boot volume',
  'nocloud-label': 'NoCloud, by the label of the boot volume',
  'marker-files': 'marker files in the boot volume',
  none: 'none that is known: a card from this image cannot be given a name or keys',
};

/** How the image takes a node's settings, in a few words. */
export const mechanismName = ({ mechanism }: MechanismFacts): string => mechanisms[mechanism];

const longestFact = 200;

function sentence(words: string): string {
  const text = escapeText(words, longestFact * 2);
  return `${text.charAt(0).toUpperCase()}${text.slice(1)}.`;
}

/** How the image takes a node's settings, what that can and cannot carry, and why: plain sentences. */
export function mechanismLines(facts: MechanismFacts | null, sheet: Sheet): string[] {
  if (facts === null) return [];
  const { carries, because, reason, remarks, evidence, mechanism } = facts;
  const kinds = Object.keys(carriedNames) as Carried[];
  const named = (wanted: boolean) =>
    kinds.filter((kind) => carries[kind] === wanted).map((kind) => carriedNames[kind]);
  const list = (lead: string, names: string[]) => (names.length > 0 ? `${lead} ${names.join(', ')}` : null);
  const whys = new Map<string, string[]>();
  for (const kind of kinds) {
    const why = because[kind];
    if (why !== undefined) whys.set(why, [...(whys.get(why) ?? []), carriedNames[kind]]);
  }
  return [
    ...entry(sheet, 'boots by', [
      mechanisms[mechanism],
      list(
        'seen by',
        evidence.map((what) => escapeText(what, 60)),
      ),
    ]),
    ...entry(sheet, '', [list('carries', named(true)), list('cannot carry', named(false))]),
    ...[...whys].flatMap(([why, names]) => entry(sheet, '', sentence(`no ${names.join(', no ')}: ${why}`))),
    ...(reason === null ? [] : entry(sheet, '', sentence(reason))),
    ...entries(sheet, '', remarks),
  ];
}

function networkPhrase({ renderer, settings }: RootFacts, mechanism: MechanismFacts | null): string | null {
  const why = mechanism?.because.network;
  if (why !== undefined) return `network settings: no, because ${why}`;
  if (settings.networkIsOff || renderer === null) return 'network settings: no';
  return `network settings: yes, by ${renderer}`;
}

function readRootLines(facts: RootFacts, mechanism: MechanismFacts | null, sheet: Sheet): string[] {
  const { program, settings } = facts;
  const { findings } = keepHostKey({ state: 'read', facts });
  const said = [
    ...findings.map(describeFinding),
    ...(settings.unclear.length > 0 ? [`Could not be understood: ${settings.unclear.join(', ')}.`] : []),
  ];
  const phrases =
    program === null
      ? ['no cloud-init in the root volume']
      : [`${nameProgram(program)} (${program.from})`, networkPhrase(facts, mechanism)];
  return [
    ...entry(
      sheet,
      'program',
      phrases.map((phrase) => phrase && escapeText(phrase, longestFact)),
    ),
    ...entries(
      sheet,
      '',
      said.map((text) => escapeText(text, longestFact * 2)),
    ),
  ];
}

/** What the root volume says about the first boot, or why it says nothing. */
export function rootLines(
  look: RootLook | undefined,
  mechanism: MechanismFacts | null,
  sheet: Sheet,
): string[] {
  if (look === undefined || look.state === 'absent') return [];
  if (look.state === 'unread') return entry(sheet, 'program', sentence(`not known: ${look.why}`));
  return readRootLines(look.facts, mechanism, sheet);
}

/** Whether a plan may ask for a seed volume behind the image. */
export function seedLines(seed: SeedVolumeOutlook | null, sheet: Sheet): string[] {
  if (seed === null) return [];
  const lead = seed.works
    ? 'a small volume for the node’s files can be made at the card’s far end (seedVolume: far-end in the plan)'
    : 'a small volume at the card’s far end would be of no use';
  return entry(sheet, 'seed', sentence(`${lead}: ${seed.why}`));
}
