import { checkHostName } from '../../identity/names.ts';
import { type Mistake, mistake, type PlanPath, type Raw, textAt } from './mistake.ts';

/** POSIX.1-2017 section 8.2: language[_territory][.codeset][@modifier], or the two names every system has. */
const localePattern = /^(?:C|POSIX|[a-z]{2,3}(?:_[A-Z]{2})?)(?:\.[A-Za-z0-9-]+)?(?:@[a-z]+)?$/;
/** RFC 1035 section 2.3.4. */
const longestDomain = 253;

const zones = new Map(Intl.supportedValuesOf('timeZone').map((zone) => [zone.toLowerCase(), zone]));

function isZone(text: string): boolean {
  try {
    new Intl.DateTimeFormat('en', { timeZone: text });
    return true;
  } catch {
    // The platform's only way of saying that it knows no such zone.
    return false;
  }
}

/** IANA time zone database; older names of a zone are taken, too. */
function whyNoZone(text: string): string | null {
  if (!/^[A-Za-z]/.test(text) || !isZone(text)) return 'no such zone is known';
  const proper = zones.get(text.toLowerCase()) ?? text;
  return proper === text ? null : `it is written ${proper}`;
}

function whyNoDomain(text: string): string | null {
  if (text.length > longestDomain)
    return `it has ${text.length} characters, at most ${longestDomain} are allowed`;
  for (const label of text.split('.')) {
    const why = checkHostName(label);
    // The last part may be a word that is no host name by itself, but not a number.
    if (why !== null) return why.replace(/^it\b/, `its part "${label}"`);
  }
  return null;
}

function check(
  raw: Raw,
  path: PlanPath,
  key: string,
  fix: string,
  why: (text: string) => string | null,
): Mistake[] {
  const text = textAt(raw, path);
  const reason = text === null ? null : why(text);
  return reason === null ? [] : [mistake('plan.bad-setting', path, { key, why: reason, fix })];
}

/** Time zone, locale and domain. */
export function checkSystem(raw: Raw): Mistake[] {
  const locale = (text: string) => (localePattern.test(text) ? null : 'it is not written like one');
  return [
    ...check(
      raw,
      ['system', 'timezone'],
      'timezone',
      'Give an area and a place, like Europe/Madrid.',
      whyNoZone,
    ),
    ...check(
      raw,
      ['system', 'locale'],
      'locale',
      'Give language, country and signs, like en_GB.UTF-8.',
      locale,
    ),
    ...check(raw, ['network', 'domain'], 'domain', 'Give a domain like orchard.example.org.', whyNoDomain),
  ];
}
