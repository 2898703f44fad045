import { resolve } from 'node:path';
import type { PlanFile as BootFile, Plan, PlanImage, PlanNode, PlanNodeFile } from '../../contract/plan.ts';
import type { PlanFile } from './plan-schema.ts';

function freezeDeep<T extends object>(value: T): T {
  for (const part of Object.values(value)) {
    if (typeof part === 'object' && part !== null) freezeDeep(part);
  }
  return Object.freeze(value);
}

type Extras = Pick<PlanFile, 'files' | 'templates' | 'boot' | 'firstBoot'>;
type Place = (given: string) => string;

/** The node's own file takes the place of the set's of the same name; capitals make no difference in the boot volume. */
function mergeBootFiles(all: readonly Extras[], place: Place): BootFile[] {
  const byName = new Map<string, BootFile>();
  const put = (files: Record<string, string>, template: boolean) => {
    for (const [path, given] of Object.entries(files)) {
      byName.set(path.toLowerCase(), { path, source: place(given), template });
    }
  };
  for (const { files, templates } of all) {
    put(files, false);
    put(templates, true);
  }
  return [...byName.values()];
}

function mergeNodeFiles(all: readonly Extras[], place: Place): PlanNodeFile[] {
  const byPath = new Map<string, PlanNodeFile>();
  for (const { from, ...file } of all.flatMap(({ firstBoot }) => firstBoot.files)) {
    byPath.set(file.path, { ...file, source: place(from) });
  }
  return [...byPath.values()];
}

function buildNode(file: PlanFile, node: PlanFile['nodes'][number], place: Place): PlanNode {
  const all = [file, node];
  const once = (words: readonly string[]) => [...new Set(words)];
  return {
    name: node.name,
    slot: node.slot ?? null,
    role: node.role ?? null,
    address: node.address ?? null,
    link: node.link ?? (file.network.wifi === undefined ? 'wired' : 'wifi'),
    variables: node.variables,
    files: mergeBootFiles(all, place),
    boot: {
      kernelLine: {
        add: once(all.flatMap(({ boot }) => boot.kernelLine.add)),
        remove: once(all.flatMap(({ boot }) => boot.kernelLine.remove)),
      },
      firmware: once(all.flatMap(({ boot }) => boot.firmware)),
    },
    firstBoot: {
      files: mergeNodeFiles(all, place),
      commands: all.flatMap(({ firstBoot }) => firstBoot.commands),
    },
  };
}

function buildNetwork(network: PlanFile['network'], wifiKey: string | null): Plan['network'] {
  const { gateway, nameservers, domain, wifi } = network;
  return {
    gateway: gateway ?? null,
    nameservers,
    domain: domain ?? null,
    wifi:
      wifi === undefined || wifiKey === null
        ? null
        : { name: wifi.name, key: wifiKey, country: wifi.country, hidden: wifi.hidden },
  };
}

/** What a plan names and does not hold itself. */
interface ReadParts {
  authorizedKeys: string[];
  /** 64 lower-case hex digits, or null without a wireless network */
  wifiKey: string | null;
}

/** A plan file without mistakes as the plan that everything works with: paths absolute, defaults in, frozen. */
export function buildPlan(file: PlanFile, path: string, folder: string, read: ReadParts): Plan {
  const place = (given: string) => resolve(folder, given);
  const placeIf = (given: string | undefined) => (given === undefined ? null : place(given));
  const image: PlanImage | null = file.image
    ? {
        file: place(file.image.file),
        sha256: file.image.sha256?.toLowerCase() ?? null,
        sums: placeIf(file.image.sums),
        signature: placeIf(file.image.signature),
        keyring: placeIf(file.image.keyring),
      }
    : null;
  const { user, passwordHash, sshPassword, sudo } = file.access;
  return freezeDeep({
    path,
    set: file.set,
    image,
    access: {
      user,
      authorizedKeys: read.authorizedKeys,
      passwordHash: passwordHash ?? null,
      // Without a key the password is the only way in over the network.
      sshPassword: sshPassword ?? (passwordHash !== undefined && read.authorizedKeys.length === 0),
      sudo,
    },
    hostKeys: file.hostKeys,
    hostKeyTypes: [...new Set(file.hostKeyTypes)],
    hostKeyFolder: placeIf(file.hostKeyFolder),
    network: buildNetwork(file.network, read.wifiKey),
    system: { timezone: file.system.timezone ?? null, locale: file.system.locale ?? null },
    seedVolume: file.seedVolume,
    unmount: file.unmount,
    overwrite: file.overwrite,
    nodes: file.nodes.map((node) => buildNode(file, node, place)),
  });
}
