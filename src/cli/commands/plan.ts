import { escapeText } from '../../contract/escape-text.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import type { Plan } from '../../contract/plan.ts';
import { parseAuthorizedKey } from '../../identity/keys/authorized-keys.ts';
import { checkPlanImage } from '../../job/station/check-plan-image.ts';
import type { Desk } from '../desk.ts';
import { readPlanFile } from '../plan-options.ts';
import { done } from '../run-command.ts';
import { entry, type Sheet } from '../text/sheet.ts';
import { table } from '../text/table.ts';

/** Checks a plan, every mistake at once, and whether its image can carry it; shows its nodes as a table. */
export async function planCommand(desk: Desk, options: { check: string }): Promise<ExitStatus> {
  const plan = await readPlanFile(options.check);
  await checkPlanImage(plan, { port: desk.output.events, signal: desk.signal });
  desk.output.show('plan', planFields(plan), (sheet) => planScreen(plan, sheet));
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

/** Each key that gets in, as ssh-keygen -l shows it, with what it is bound to and what speaks against it. */
function keyEntries(lines: readonly string[], sheet: Sheet): string[] {
  return lines.flatMap((line) => {
    const parsed = parseAuthorizedKey(line);
    if (!parsed.ok) return [];
    const { type, bits, fingerprint, comment, options, note } = parsed.key;
    return entry(sheet, 'key', [
      fingerprint,
      `${type}, ${bits} bits`,
      escapeText(comment, 60),
      options === null ? null : `only with ${escapeText(options, 120)}`,
      note,
    ]);
  });
}

function planScreen(plan: Plan, sheet: Sheet): string[] {
  const { access, nodes } = plan;
  const keys = `${access.authorizedKeys.length} key${access.authorizedKeys.length === 1 ? '' : 's'}`;
  const password = access.passwordHash === null ? 'no password login' : 'and a password';
  const columns = [{ head: 'slot' }, { head: 'node' }, { head: 'address' }, { head: 'role' }];
  const rows = nodes.map(({ slot, name, address, role }) => ({
    cells: [slot ?? '', name, address ?? 'from the network', role ?? ''],
  }));
  return [
    ...entry(
      sheet,
      'in order',
      `${plan.set}: ${nodes.length} node${nodes.length === 1 ? '' : 's'}, no mistake found`,
      {
        tone: 'good',
      },
    ),
    ...entry(sheet, 'access', [access.user, keys, password]),
    ...keyEntries(access.authorizedKeys, sheet),
    '',
    ...table(sheet, columns, rows),
  ];
}
