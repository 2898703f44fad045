import { type Finding, finding } from '../contract/finding.ts';
import type { RootLook } from '../contract/root-facts.ts';

export interface HostKeyPromise {
  /** commands for the start of the first boot, each one line for a shell, that keep the recorded host key in force */
  commands: string[];
  findings: Finding[];
}

/**
 * What has to be done so that a node keeps the host key that was recorded for it, and what cannot be promised. A unit
 * that takes keys away and makes new ones is masked before it runs (systemctl(1), "mask"): the first-boot program's
 * earliest commands run before sysinit.target, the unit after it. A job that already waits for its turn goes, too
 * (--now); nobody waits for it (--no-block). Units that only make missing kinds leave the recorded key alone.
 *
 * @param look null where the root volume was not looked at
 */
export function keepHostKey(look: RootLook | null): HostKeyPromise {
  if (look === null || look.state === 'absent') return { commands: [], findings: [] };
  if (look.state === 'unread') {
    return { commands: [], findings: [finding('identity.host-key-unsure', 'note', { why: look.why })] };
  }
  const commands: string[] = [];
  const findings: Finding[] = [];
  for (const { name, effect, outOfReach } of look.facts.hostKeyUnits) {
    if (effect === 'adds') continue;
    if (outOfReach === null) {
      commands.push(`systemctl mask --now --no-block ${name}`);
      findings.push(finding('identity.host-key-unit-off', 'note', { unit: name }));
    } else {
      findings.push(finding('identity.host-key-not-promised', 'note', { unit: name, why: outOfReach }));
    }
  }
  return { commands, findings };
}
