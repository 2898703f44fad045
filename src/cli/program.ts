import { Command, type CommanderError, Option } from 'commander';
import { CardwrightError } from '../contract/cardwright-error.ts';
import type { ExitStatus } from '../contract/exit-status.ts';
import { faultKinds } from '../media/faulty-medium.ts';
import { batchCommand } from './commands/batch.ts';
import { devicesCommand } from './commands/devices.ts';
import { identifyCommand } from './commands/identify.ts';
import { inspectCommand } from './commands/inspect.ts';
import { jobsCommand } from './commands/jobs.ts';
import { labelsCommand } from './commands/labels.ts';
import { passwordCommand } from './commands/password.ts';
import { personalizeCommand } from './commands/personalize.ts';
import { planCommand } from './commands/plan.ts';
import { recordsCommand } from './commands/records.ts';
import { rehearseCommand } from './commands/rehearse.ts';
import { reportCommand } from './commands/report.ts';
import { rollcallCommand } from './commands/rollcall.ts';
import { stationCommand } from './commands/station.ts';
import { verifyCommand } from './commands/verify.ts';
import { writeCommand } from './commands/write.ts';
import type { Desk } from './desk.ts';
import { hostKeyForms } from './host-key-forms.ts';
import type { CommonOptions } from './run-command.ts';
import { toolVersion } from './version.ts';

/** Runs a command's body with the options that every command has. */
export type Launch = (options: CommonOptions, body: (desk: Desk) => Promise<ExitStatus>) => Promise<void>;

const deviceHelp = "a disk's node, a by-id link, or a reader's port (usb:1-2)";

function command(program: Command, form: string, summary: string): Command {
  return program
    .command(form)
    .description(summary)
    .option('--json', 'one JSON object a line, each with its type')
    .option('--quiet', 'results only, no progress')
    .option('--policy <file>', 'a policy other than /etc/cardwright/policy.yaml; it must belong to root')
    .option('--records <file>', 'a record store other than the usual one')
    .option('--direct', 'work in this process, even where a daemon runs');
}

/** For options that may be given more than once. */
const collect = (value: string, before: string[]): string[] => [...before, value];

const confirmOption = () =>
  new Option(
    '--confirm <code>',
    'the approval code of the disk, CODE or CODE:NAME, where nobody can be asked',
  );
const unmountOption = () => new Option('--unmount', 'unmount the plain mounts of the card first');
const planOption = () => new Option('--plan <file>', 'the plan of the set');
const nodeOption = () => new Option('--node <name>', 'which node of the plan');

function addChecksums(to: Command): Command {
  return to
    .option('--sha256 <digest>', 'what the image file must have as its SHA-256')
    .option('--sums <file>', 'a checksum file that names the image')
    .option('--signature <file>', 'a detached OpenPGP signature of the checksum file')
    .option('--keyring <file>', 'the keys that may have signed it');
}

/** The command line, without anything run yet. */
export function createProgram(launch: Launch): Command {
  const program = new Command('cardwright')
    .description('Turns one operating-system image and a list of nodes into cards that boot first time.')
    .version(toolVersion)
    .exitOverride()
    .configureOutput({ writeErr: () => undefined })
    .showHelpAfterError(false)
    .helpCommand(false);
  addLooking(program, launch);
  addMaking(program, launch);
  // It prints one line and looks at nothing: the options that the others share would say nothing here.
  program
    .command('password')
    .description("what stands for a phrase in a plan: a password's hash, or a network's key")
    .option('--from-fd <n>', 'read the phrase from this open descriptor')
    .option('--wifi <name>', 'the key of the wireless network of this name')
    .addHelpText('after', '\nThe phrase is asked for, or read from standard input where that is no terminal.')
    .action((options) => launch({}, (desk) => passwordCommand(desk, options)));
  command(program, 'labels <plan>', 'sheets of labels for the cards of a set, to be printed and cut')
    .option('--out <file>', 'where the page is written (default: SET-labels.html here)')
    .option('--paper <paper>', 'A4 or letter', 'A4')
    .option('--size <size>', "for a card's case or for a module: case, module", 'case')
    .action((plan, options) => launch(options, (desk) => labelsCommand(desk, plan, options)));
  addStation(program, launch);
  command(program, 'rehearse [plan]', 'the whole job on make-believe cards: no root, no hardware')
    .option('--cards <n>', 'how many cards', '4')
    .option(
      '--fault <kind@node>',
      `how one card misbehaves: ${faultKinds.join(', ')}, or none`,
      'bit-flip@orchard-03',
    )
    .option('--folder <path>', 'where the files are left')
    .action((plan, options) => launch(options, (desk) => rehearseCommand(desk, plan, options)));
  return program;
}

function addLooking(program: Command, launch: Launch): void {
  command(program, 'devices', 'every disk, allowed or refused, with reasons and the approval code')
    .option('--all', 'imaginary disks of the machine as well')
    .action((options) => launch(options, (desk) => devicesCommand(desk, options)));
  command(
    program,
    'inspect <image>',
    'container, size, partitions, boot volume, first-boot mechanism, hazards',
  )
    .addOption(planOption())
    .addOption(nodeOption())
    .action((image, options) => launch(options, (desk) => inspectCommand(desk, image, options)));
  command(program, 'identify <device>', 'which node, set, image and record a card is').action(
    (device, options) => launch(options, (desk) => identifyCommand(desk, device)),
  );
  addChecksums(
    command(program, 'verify <device>', 'read a card whole and compare it with its record, or with an image')
      .option('--record <id>', 'the record to compare with, whatever card it was')
      .option('--image <file>', 'an image to compare with'),
  ).action((device, options) => launch(options, (desk) => verifyCommand(desk, device, options)));
  command(program, 'records [id]', 'what was written where, or one record whole')
    .option('--keys-as <form>', `only its node's public host keys: ${hostKeyForms.join(', ')}`)
    .option('--set <name>', 'only records of this set')
    .option('--node <name>', 'only records of this node')
    .option('--batch <number>', 'only records of this batch')
    .option('--state <state>', 'only records that stand so, such as done; may be given again', collect, [])
    .option('--card <id>', 'only records of the card with this CID or serial number')
    .option('--since <day>', 'only records from this day on: 2026-11-27')
    .option('--last <count>', 'only so many, the newest')
    .option('--export <file>', 'write them into a file instead: a table (.csv) or all that is known (.json)')
    .option('--check', 'read the whole store, and say whether all is as it was stored')
    .action((id, options) => launch(options, (desk) => recordsCommand(desk, id, options)));
  command(
    program,
    'report [batch]',
    'a page about the last batch, or the one named: results, rates, where the time went',
  )
    .option('--out <file>', 'the page; SET-batch-N.html here if not given')
    .action((batch, options) => launch(options, (desk) => reportCommand(desk, batch, options)));
  command(program, 'jobs [action] [id]', 'what the daemon of this station is doing; watch a job, or end it')
    .addHelpText('after', '\nACTION is attach or cancel, each with the number of a job.')
    .action((action, id, options) => launch(options, (desk) => jobsCommand(desk, action, id)));
  addRollCall(program, launch);
  command(program, 'plan', 'begin a plan, or check one')
    .option('--check <file>', 'the plan to check, every mistake at once')
    .option('--new <file>', 'ask a few questions and write a plan with comments; no file is written over')
    .option('--schema', 'print what may stand in a plan, as a JSON Schema for editors')
    .action((options) => launch(options, (desk) => planCommand(desk, options)));
}

/** About the daemon's own files alone: policy, records and the daemon itself have no part in it. */
function addStation(program: Command, launch: Launch): void {
  program
    .command('station')
    .description('lay down what systemd needs to run the daemon, or take it away')
    .option('--json', 'one JSON object a line, each with its type')
    .option('--quiet', 'results only, no progress')
    .option('--install', 'units, users and groups, folders, an example of a policy; what was changed is kept')
    .option('--remove', 'undo exactly that; records, and what was changed since, are kept')
    .option('--dry-run', 'show what would be done, and do nothing')
    .option(
      '--root <folder>',
      'below another root, for packages: nothing outside is touched, nothing started',
    )
    .addHelpText('after', '\nThe program stays where it is: the units run it from there.')
    .action((options) => launch(options, (desk) => stationCommand(desk, options)));
}

function addRollCall(program: Command, launch: Launch): void {
  command(
    program,
    'rollcall <plan>',
    'after power-on: which nodes are there, and are they the ones made here',
  )
    .option('--wait <time>', 'look again until all are there, for so long: 90s, 5m, 1h')
    .option('--search <network>', 'look for nodes without a planned address in this network, at most a /22')
    .option('--only <node...>', 'these nodes alone')
    .option('--keys <file>', 'the host keys to compare with, where the records cannot be read: known_hosts')
    .option('--known-hosts <file>', 'write the recorded host keys for SSH clients')
    .option('--ssh-config <file>', 'write a piece of an SSH client’s settings')
    .option('--hosts <file>', 'write a piece for /etc/hosts')
    .option('--inventory <file>', 'write an Ansible inventory in YAML')
    .option('--ethers <file>', 'write hardware addresses, for reservations at a DHCP server')
    .addHelpText(
      'after',
      '\nOnly planned addresses are asked, and names; root is not needed where records are not.',
    )
    .action((plan, options) => launch(options, (desk) => rollcallCommand(desk, plan, options)));
}

function addMaking(program: Command, launch: Launch): void {
  addChecksums(
    command(program, 'write <image> <device>', 'one image onto one card, read back and sealed')
      .addOption(planOption())
      .addOption(nodeOption())
      .addOption(confirmOption())
      .addOption(unmountOption()),
  )
    .addHelpText('after', `\nDEVICE is ${deviceHelp}.`)
    .action((image, device, options) =>
      launch(options, (desk) => writeCommand(desk, image, device, options)),
    );
  command(program, 'batch <plan>', 'a whole set: one card after the other, in one reader or several')
    .option('--reader <port>', 'only this reader; may be given again', collect, [])
    .option(
      '--confirm <port=code>',
      'the code of the first card in a reader, where nobody can be asked; may be given again',
      collect,
      [],
    )
    .option('--only <node>', 'only this node; may be given again', collect, [])
    .option('--again <node>', 'this node anew although it is done; may be given again', collect, [])
    .option('--report <file>', 'at the end, a page about it: results, rates, where the time went')
    .option('--no-bell', 'no bell when a card wants changing')
    .action((plan, options) => launch(options, (desk) => batchCommand(desk, plan, options)));
  command(program, 'personalize <device>', 'give a card that was written before to a node')
    .addOption(planOption())
    .addOption(nodeOption())
    .addOption(confirmOption())
    .addOption(unmountOption())
    .option('--dry-run', 'show what would change, file by file, and change nothing')
    .action((device, options) => launch(options, (desk) => personalizeCommand(desk, device, options)));
}

const quoted = /'([^']*)'/;

/** The library's own words for a mistake, as an entry of our catalogue. Null for help and version, which are none. */
export function usageError(error: CommanderError, argv: readonly string[]): CardwrightError | null {
  const subject = quoted.exec(error.message)?.[1] ?? '';
  const name = argv[0] ?? '';
  switch (error.code) {
    case 'commander.helpDisplayed':
    case 'commander.version':
    case 'commander.help':
      return null;
    case 'commander.unknownOption':
      return new CardwrightError('usage.unknown-option', { facts: { option: subject, command: name } });
    case 'commander.unknownCommand':
      return new CardwrightError('usage.unknown-command', { facts: { command: subject } });
    case 'commander.excessArguments':
      if (name === 'password') return new CardwrightError('usage.phrase-on-command-line');
      return new CardwrightError('usage.excess-argument', {
        facts: { argument: argv.at(-1) ?? '', command: name },
      });
    default:
      return new CardwrightError('usage.missing-argument', { facts: { argument: subject, command: name } });
  }
}
