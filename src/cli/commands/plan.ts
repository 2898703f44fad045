import type { ExitStatus } from '../../contract/exit-status.ts';
import type { Plan } from '../../contract/plan.ts';
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
  const { access, ...shown } = plan;
  const keys = access.authorizedKeys.length;
  const fields = { ...shown, access: { user: access.user, keys, password: access.passwordHash !== null } };
  desk.output.show('plan', fields, (sheet) => planScreen(plan, sheet));
  return done;
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
    '',
    ...table(sheet, columns, rows),
  ];
}
