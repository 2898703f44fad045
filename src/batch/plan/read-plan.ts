import { dirname, resolve } from 'node:path';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { Plan } from '../../contract/plan.ts';
import { buildPlan } from './build-plan.ts';
import { checkAccess } from './check-access.ts';
import { checkBoot } from './check-boot.ts';
import { checkFirstBoot } from './check-first-boot.ts';
import { checkImage } from './check-image.ts';
import { checkNames } from './check-names.ts';
import { checkNetwork } from './check-network.ts';
import { checkNodeFiles } from './check-node-files.ts';
import { checkShape } from './check-shape.ts';
import { checkSystem } from './check-system.ts';
import { checkTemplates } from './check-templates.ts';
import { checkWifi, readWifiKey } from './check-wifi.ts';
import { entryPaths, itemPaths, type Mistake, partsOf, type Raw, textAt } from './mistake.ts';
import { errnoOf, type PlanFiles, stationFiles } from './plan-files.ts';
import { planSchema } from './plan-schema.ts';
import { type PlanText, readYaml } from './read-yaml.ts';
import { checkSource } from './source-file.ts';

const mostPlanBytes = 2 ** 20;
/** So many are told; more would only scroll the first away. */
const mostTold = 100;

async function readText(path: string, files: PlanFiles): Promise<string> {
  let content: Uint8Array;
  try {
    const found = await files.stat(path);
    if (!found.isFile()) throw new CardwrightError('plan.not-a-file', { facts: { path } });
    refuseLarge(path, found.size);
    content = await files.readFile(path);
  } catch (cause) {
    if (cause instanceof CardwrightError) throw cause;
    throw new CardwrightError('plan.unreadable', { facts: { path, errno: errnoOf(cause) }, cause });
  }
  refuseLarge(path, content.length);
  try {
    // The byte order mark that some editors write is taken off here.
    return new TextDecoder('utf-8', { fatal: true }).decode(content);
  } catch (cause) {
    throw new CardwrightError('plan.not-text', { facts: { path }, cause });
  }
}

function refuseLarge(path: string, sizeBytes: number): void {
  if (sizeBytes <= mostPlanBytes) return;
  throw new CardwrightError('plan.too-large', { facts: { path, sizeBytes, mostBytes: mostPlanBytes } });
}

const checks: readonly ((raw: Raw) => Mistake[])[] = [
  checkShape,
  checkNames,
  checkNetwork,
  checkWifi,
  checkSystem,
  checkImage,
  checkNodeFiles,
  checkBoot,
  checkFirstBoot,
];

/** Everything that can be said of the values without looking at any file. */
function checkValues(raw: Raw): Mistake[] {
  return checks.flatMap((check) => check(raw));
}

/** The files that must be there although nobody reads them yet. */
async function checkFiles(raw: Raw, folder: string, files: PlanFiles): Promise<Mistake[]> {
  const paths = [
    ...['file', 'sums', 'signature', 'keyring'].map((key) => ['image', key]),
    ...partsOf(raw).flatMap((part) => [
      ...entryPaths(raw, [...part, 'files']),
      ...entryPaths(raw, [...part, 'templates']),
      ...itemPaths(raw, [...part, 'firstBoot', 'files']).map((file) => [...file, 'from']),
    ]),
  ].filter((path) => textAt(raw, path) !== null);
  const mistakes: Mistake[] = [];
  for (const path of paths) {
    const checked = await checkSource(raw, path, folder, files);
    if (checked.mistake !== null) mistakes.push(checked.mistake);
  }
  return mistakes;
}

function toFinding(
  text: PlanText,
  file: string,
  { code, path, atKey, facts, first, offset }: Mistake,
): Finding {
  const place = offset === null ? text.placeOf(path, atKey) : text.placeAt(offset);
  const other = first === null ? {} : { first: text.placeOf(first, true).line };
  return finding(code, 'fail', { ...facts, ...other, file, ...place });
}

function refuseMistakes(text: PlanText, file: string, mistakes: readonly Mistake[]): void {
  if (mistakes.length === 0) return;
  const findings = mistakes
    .map((one) => toFinding(text, file, one))
    .sort(
      (a, b) =>
        Number(a.facts.line) - Number(b.facts.line) || Number(a.facts.column) - Number(b.facts.column),
    );
  const noun = findings.length === 1 ? 'mistake' : 'mistakes';
  const facts = { path: file, count: findings.length, noun };
  throw new CardwrightError('plan.mistakes', { facts, findings: findings.slice(0, mostTold) });
}

/**
 * Reads a plan (YAML 1.2; the layout is `planSchema`) with the public keys that it names, and sees that all files
 * are there. Paths in it count from its own folder.
 *
 * @throws CardwrightError `plan.mistakes` with one finding for each mistake, in the order of the file, each with the
 *   facts `file`, `line` and `column`; `plan.unreadable`, `plan.not-a-file`, `plan.too-large`, `plan.not-text`
 */
export async function readPlan(path: string, files: PlanFiles = stationFiles): Promise<{ plan: Plan }> {
  const absolute = resolve(path);
  const folder = dirname(absolute);
  const text = readYaml(await readText(absolute, files));
  if (!text.isReadable) refuseMistakes(text, path, text.mistakes);
  const { raw } = text;
  const access = await checkAccess(raw, folder, files);
  const wifi = await readWifiKey(raw, folder, files);
  const mistakes = [
    ...text.mistakes,
    ...checkValues(raw),
    ...access.mistakes,
    ...wifi.mistakes,
    ...(await checkFiles(raw, folder, files)),
  ];
  refuseMistakes(text, path, mistakes);
  const plan = buildPlan(planSchema.parse(raw), absolute, folder, {
    authorizedKeys: access.lines,
    wifiKey: wifi.key,
  });
  refuseMistakes(text, path, await checkTemplates(raw, plan, files));
  return { plan };
}
