import { escapeText } from '../../contract/escape-text.ts';
import type { Plan } from '../../contract/plan.ts';
import { parseAuthorizedKey } from '../../identity/keys/authorized-keys.ts';
import { type Cidr, isInNetwork, parseCidr } from '../../identity/names.ts';
import type { PlanImageLook } from '../../job/station/check-plan-image.ts';
import { entry, type Sheet } from '../text/sheet.ts';
import { formatExactBytes, formatSize } from '../text/sizes.ts';
import { table } from '../text/table.ts';
import { mechanismName } from './first-boot-lines.ts';

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

/** A plan in order: who gets in, what its image is and what cards it needs, the nodes side by side. */
export function planScreen(plan: Plan, look: PlanImageLook | null, sheet: Sheet): string[] {
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
    ...imageLines(plan, look, sheet),
    ...networkLines(plan, sheet),
    ...entry(sheet, 'access', [access.user, keys, password]),
    ...keyEntries(access.authorizedKeys, sheet),
    '',
    ...table(sheet, columns, rows),
  ];
}

function imageLines(plan: Plan, look: PlanImageLook | null, sheet: Sheet): string[] {
  if (look === null) return entry(sheet, 'image', 'none named: each command that writes names one');
  const { image, mechanism, leastCardBytes: least } = look;
  const by = plan.seedVolume === 'none' ? null : 'in a seed volume at the far end of the card';
  return [
    ...entry(sheet, 'image', [
      escapeText(image.path),
      image.sizeBytes === null ? 'size not known' : `${formatSize(image.sizeBytes)} on the card`,
    ]),
    ...entry(sheet, 'boots by', [mechanismName(mechanism), by]),
    ...entry(sheet, 'cards', least === null ? [] : `of ${formatExactBytes(least)} or more`),
  ];
}

/** The addresses against each other: how many are in one network, and how many nodes have none. */
function networkLines({ nodes, network }: Plan, sheet: Sheet): string[] {
  const cidrs = nodes.flatMap(({ address }) => {
    const parsed = address === null ? null : parseCidr(address);
    return parsed?.ok ? [parsed.cidr] : [];
  });
  const apart: { first: Cidr; count: number }[] = [];
  for (const cidr of cidrs) {
    const known = apart.find(({ first }) => first.prefix === cidr.prefix && isInNetwork(first, cidr.address));
    if (known) known.count += 1;
    else apart.push({ first: cidr, count: 1 });
  }
  const roaming = nodes.length - cidrs.length;
  return entry(sheet, 'addresses', [
    ...apart.map(({ first, count }) => `${count} in the network of ${first.address}/${first.prefix}`),
    roaming === 0 ? null : `${roaming} from the network itself (DHCP)`,
    cidrs.length === 0 ? null : `router ${network.gateway ?? 'not named'}`,
  ]);
}
