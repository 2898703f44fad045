import { planJsonSchema } from '../../batch/plan/plan-schema.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import type { Plan } from '../../contract/plan.ts';
import { parseAuthorizedKey } from '../../identity/keys/authorized-keys.ts';
import { checkPlanImage } from '../../job/station/check-plan-image.ts';
import type { Desk } from '../desk.ts';
import { readPlanFile } from '../plan-options.ts';
import { done } from '../run-command.ts';
import { planScreen } from '../screens/plan-screen.ts';
import { newPlanCommand } from './plan-new.ts';

/** Checks a plan, every mistake at once, and whether its image can carry it; shows its nodes as a table. */
async function checkCommand(desk: Desk, path: string): Promise<ExitStatus> {
  const plan = await readPlanFile(path);
  const look = await checkPlanImage(plan, { port: desk.output.events, signal: desk.signal });
  const image = look && {
    file: look.image.path,
    sizeBytes: look.image.sizeBytes,
    mechanism: look.mechanism.mechanism,
    leastCardBytes: look.leastCardBytes,
  };
  desk.output.show('plan', { ...planFields(plan), imageLook: image }, (sheet) =>
    planScreen(plan, look, sheet),
  );
  return done;
}

export interface PlanOptions {
  check?: string;
  new?: string;
  schema?: boolean;
}

/** One of three: checks a plan, begins a new one, or prints what may stand in one. */
export async function planCommand(desk: Desk, options: PlanOptions): Promise<ExitStatus> {
  const given = [
    options.check === undefined ? null : '--check',
    options.new === undefined ? null : '--new',
    options.schema === true ? '--schema' : null,
  ].filter((option) => option !== null);
  const [option, other] = given;
  if (option !== undefined && other !== undefined) {
    const facts = { option, other, reason: 'each is a command of its own' };
    throw new CardwrightError('usage.conflicting-options', { facts });
  }
  if (options.check !== undefined) return checkCommand(desk, options.check);
  if (options.new !== undefined) return newPlanCommand(desk, options.new);
  if (options.schema !== true) {
    const facts = { argument: '--check FILE, --new FILE or --schema', command: 'plan' };
    throw new CardwrightError('usage.missing-argument', { facts });
  }
  // JSON either way, as a file for editors takes it; with --json on one line.
  const { output } = desk;
  output.showText(`${JSON.stringify(planJsonSchema(), null, output.options.json ? 0 : 2)}\n`);
  return done;
}

/** Without what lets anybody in: hash and wireless key. */
function planFields({ access, network, ...shown }: Plan): object {
  const { user, authorizedKeys, passwordHash } = access;
  const wifi = network.wifi && { ...network.wifi, key: '(not shown)' };
  return {
    ...shown,
    network: { ...network, wifi },
    access: {
      user,
      keys: authorizedKeys.length,
      authorizedKeys: authorizedKeys.map(publicKeyFields),
      password: passwordHash !== null,
    },
  };
}

function publicKeyFields(line: string): object {
  const parsed = parseAuthorizedKey(line);
  if (!parsed.ok) return { problem: parsed.reason };
  const { type, bits, fingerprint, comment, options, note } = parsed.key;
  return { type, bits, fingerprint, comment, options, note };
}
