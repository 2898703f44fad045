import * as fs from 'node:fs';
import { basename, dirname, join, relative, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import { findHidden, findWritable } from '../../daemon/install/judge-program.ts';
import {
  laidFiles,
  type ProgramPlaces,
  sysusersFile,
  tmpfilesFile,
} from '../../daemon/install/laid-files.ts';
import { ledgerFile, readLedger } from '../../daemon/install/ledger.ts';
import { planInstall, planRemoval, type Step } from '../../daemon/install/plan-install.ts';
import { install, takeAway } from '../../daemon/install/take-steps.ts';
import { isManaged, runProgram } from '../../daemon/install/tell-manager.ts';
import type { Desk } from '../desk.ts';
import { done } from '../run-command.ts';
import { findingLines } from '../screens/finding-lines.ts';
import { installedScreen, programLine, removedScreen, stepLine } from '../screens/station-screen.ts';
import { findingFields } from '../text/json-lines.ts';
import { entry } from '../text/sheet.ts';

export interface StationOptions {
  install?: boolean;
  remove?: boolean;
  dryRun?: boolean;
  root?: string;
}

/** Lays down what systemd needs to run the daemon, or takes that away again. */
export async function stationCommand(desk: Desk, options: StationOptions): Promise<ExitStatus> {
  const isInstall = chooseWay(options);
  const root = rootOf(options.root);
  if (root === '/') expectRootUser();
  const task = { desk, root, dryRun: options.dryRun === true };
  return isInstall ? installStation(task) : removeStation(task);
}

interface Task {
  desk: Desk;
  root: string;
  dryRun: boolean;
}

async function installStation(task: Task): Promise<ExitStatus> {
  const { desk, root, dryRun } = task;
  const here = runningProgram();
  const places = { home: seenFrom(root, here.home), node: seenFrom(root, here.node) };
  const steps = planInstall(laidFiles(places), root);
  await judgeProgram(task, here, places);
  if (!dryRun) install(steps, root);
  showSteps(task, steps);
  if (root === '/') {
    await run(task, 'systemd-sysusers', sysusersFile);
    await run(task, 'systemd-tmpfiles', '--create', tmpfilesFile);
    if (isManaged()) await run(task, 'systemctl', 'daemon-reload');
  }
  desk.output.show('installed', { root, dryRun, ...places }, (sheet) => installedScreen(places, sheet));
  return done;
}

async function removeStation(task: Task): Promise<ExitStatus> {
  const { desk, root, dryRun } = task;
  if (readLedger(root) === null) {
    throw new CardwrightError('daemon.not-installed', { facts: { path: join(root, ledgerFile) } });
  }
  const steps = planRemoval(root);
  if (root === '/') expectIdle(desk);
  const units = steps.map(({ path }) => basename(path)).filter((name) => /\.(socket|service)$/.test(name));
  const isRunning = root === '/' && isManaged();
  if (isRunning && units.length > 0) await run(task, 'systemctl', 'disable', '--now', ...units);
  if (!dryRun) takeAway(steps, root);
  showSteps(task, steps);
  if (isRunning) await run(task, 'systemctl', 'daemon-reload');
  desk.output.show('removed', { root, dryRun }, (sheet) => (root === '/' ? removedScreen(sheet) : []));
  return done;
}

/** @throws CardwrightError `daemon.program-hidden`, where it is this machine that would run it */
async function judgeProgram({ desk, root }: Task, here: ProgramPlaces, places: ProgramPlaces): Promise<void> {
  const hidden = findHidden(places);
  const [first] = hidden;
  if (root === '/' && first) {
    throw new CardwrightError('daemon.program-hidden', { facts: first.facts, findings: hidden.slice(1) });
  }
  const findings = root === '/' ? await findWritable(here) : hidden;
  for (const found of findings) {
    desk.output.tell('finding', { finding: findingFields(found) }, findingLines(desk.output.sheet, [found]));
  }
}

/** To a person, paths as the system sees them that they are for; to a program, as they are here. */
function showSteps({ desk: { output }, root, dryRun }: Task, steps: readonly Step[]): void {
  if (root !== '/') output.say(entry(output.sheet, 'below', root));
  for (const step of steps) {
    const { action, path } = step;
    const why = step.action === 'keep' ? step.why : null;
    output.show('step', { action, path: join(root, path), why, dryRun }, (sheet) =>
      stepLine({ action, path, why }, dryRun, sheet),
    );
  }
}

async function run({ desk, dryRun }: Task, program: string, ...args: string[]): Promise<void> {
  if (!dryRun) await runProgram(program, args);
  const words = [program, ...args].join(' ');
  desk.output.show('step', { action: 'run', program: words, dryRun }, (sheet) =>
    programLine(words, dryRun, sheet),
  );
}

/** The folder that this program runs from (dist, and what lies beside it), and its Node. */
function runningProgram(): ProgramPlaces {
  const home = fs.realpathSync(dirname(dirname(fileURLToPath(import.meta.url))));
  return { home, node: fs.realpathSync(process.execPath) };
}

/** A program that was put below the root already is found there without it. */
function seenFrom(root: string, path: string): string {
  const way = relative(root, path);
  return way.startsWith('..') ? path : `/${way}`;
}

/** @throws CardwrightError `usage.missing-argument`, `usage.conflicting-options` */
function chooseWay({ install, remove }: StationOptions): boolean {
  if (install && remove) {
    const facts = { option: '--install', other: '--remove', reason: 'one undoes the other' };
    throw new CardwrightError('usage.conflicting-options', { facts });
  }
  if (install || remove) return install === true;
  const facts = { argument: '--install or --remove', command: 'station' };
  throw new CardwrightError('usage.missing-argument', { facts });
}

/** @throws CardwrightError `usage.bad-value` */
function rootOf(given: string | undefined): string {
  if (given === undefined) return '/';
  const isFolder = fs.statSync(given, { throwIfNoEntry: false })?.isDirectory() === true;
  if (isFolder) return fs.realpathSync(resolve(given));
  const facts = { option: '--root', value: given, expected: 'a folder that is there' };
  throw new CardwrightError('usage.bad-value', { facts });
}

/** @throws CardwrightError `usage.needs-root`: even to look, since the list of what was installed lies with the records */
function expectRootUser(): void {
  const user = process.geteuid?.() ?? -1;
  if (user !== 0) throw new CardwrightError('usage.needs-root', { facts: { user: `${user}` } });
}

/** @throws CardwrightError `daemon.still-at-work` */
function expectIdle(desk: Desk): void {
  const running = desk
    .existingRecords()
    ?.listRecords()
    .find(({ state }) => state === 'running' || state === 'sealing');
  if (running) throw new CardwrightError('daemon.still-at-work', { facts: { record: running.id } });
}
