import { resolve } from 'node:path';
import type { Plan, PlanImage } from '../../contract/plan.ts';
import type { PlanFile } from './plan-schema.ts';

function freezeDeep<T extends object>(value: T): T {
  for (const part of Object.values(value)) {
    if (typeof part === 'object' && part !== null) freezeDeep(part);
  }
  return Object.freeze(value);
}

/** A plan file without mistakes as the plan that everything works with: paths absolute, defaults in, frozen. */
export function buildPlan(file: PlanFile, path: string, folder: string, authorizedKeys: string[]): Plan {
  const place = (given: string | undefined) => (given === undefined ? null : resolve(folder, given));
  const image: PlanImage | null = file.image
    ? {
        file: resolve(folder, file.image.file),
        sha256: file.image.sha256?.toLowerCase() ?? null,
        sums: place(file.image.sums),
        signature: place(file.image.signature),
        keyring: place(file.image.keyring),
      }
    : null;
  const { access, network } = file;
  return freezeDeep({
    path,
    set: file.set,
    image,
    access: { user: access.user, authorizedKeys, passwordHash: access.passwordHash ?? null },
    hostKeys: file.hostKeys,
    network: { gateway: network.gateway ?? null, nameservers: network.nameservers },
    unmount: file.unmount,
    overwrite: file.overwrite,
    nodes: file.nodes.map((node) => ({
      name: node.name,
      slot: node.slot ?? null,
      role: node.role ?? null,
      address: node.address ?? null,
      files: Object.fromEntries(
        Object.entries(node.files).map(([name, given]) => [name, resolve(folder, given)]),
      ),
    })),
  });
}
