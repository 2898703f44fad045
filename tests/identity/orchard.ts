/** The orchard's plan and its parts, for the tests of this folder. */
import { execFileSync } from 'node:child_process';
import type { MechanismFacts } from '../../src/contract/identity.ts';
import type { Plan, PlanAccess, PlanNode } from '../../src/contract/plan.ts';
import type { FirstBootSettings, RootFacts, RootLook } from '../../src/contract/root-facts.ts';
import { makeNodeFiles, type NodeFileParts, type NodeFileSet } from '../../src/identity/make-node-files.ts';
import { carriedBy } from '../../src/identity/what-is-carried.ts';

// RFC 8032 section 7.1 test 1, as an SSH key.
export const growerKey =
  'ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAINdamAGCsQq31Uv+08lkBzoO4XLz2qYjJa8CGmj3B1Ea grower: "at" the #gate';
// U. Drepper, "Unix crypt using SHA-256 and SHA-512", first vector.
export const growerHash =
  '$6$saltstring$svn8UoSVapNtMuq1ukKS4tPQd8iKwSMHWjl/O817G3uBnIFNjnQJuesI68u4OTLiBFdcbYEdFCoEOfaS35inz1';

export const noCloud: MechanismFacts = {
  mechanism: 'nocloud-files',
  evidence: ['user-data', 'meta-data'],
  carries: carriedBy('nocloud-files'),
  because: {},
  reason: null,
  remarks: [],
};
export const markers: MechanismFacts = {
  mechanism: 'marker-files',
  evidence: ['config.txt', 'cmdline.txt'],
  carries: carriedBy('marker-files'),
  because: {},
  reason: null,
  remarks: [],
};

/** A root volume with a usual cloud-init in it. */
export function rootFacts(
  changes: Partial<RootFacts> = {},
  settings: Partial<FirstBootSettings> = {},
): RootFacts {
  return {
    partition: 2,
    program: { version: '22.4.2-1', from: 'Debian package' },
    offBy: null,
    settings: {
      datasources: null,
      fsLabel: 'cidata',
      seedFrom: null,
      networkIsOff: false,
      renderers: null,
      modules: null,
      deletesHostKeys: true,
      hostKeyTypes: null,
      unclear: [],
      ...settings,
    },
    seedFolders: [],
    bootFolders: ['/boot/firmware'],
    renderer: 'netplan',
    netplanVersion: '0.106-2+deb12u1',
    hasWifiProgram: true,
    hasZones: true,
    hasLocalePrograms: true,
    rootGrowers: [],
    hostKeyUnits: [],
    markerReaders: [],
    ...changes,
  };
}

export function rootLook(...parts: Parameters<typeof rootFacts>): RootLook {
  return { state: 'read', facts: rootFacts(...parts) };
}

export function orchardNode(changes: Partial<PlanNode> = {}): PlanNode {
  return {
    name: 'orchard-01',
    slot: 'A1',
    role: null,
    address: null,
    link: 'wired',
    variables: {},
    files: [],
    boot: { kernelLine: { add: [], remove: [] }, firmware: [] },
    firstBoot: { files: [], commands: [] },
    ...changes,
  };
}

export function orchardPlan(access: Partial<PlanAccess> = {}, changes: Partial<Plan> = {}): Plan {
  return {
    path: '/plans/orchard.yaml',
    set: 'orchard',
    image: null,
    access: {
      user: 'grower',
      authorizedKeys: [growerKey],
      passwordHash: null,
      sshPassword: false,
      sudo: 'free',
      ...access,
    },
    hostKeys: 'image',
    hostKeyTypes: ['ed25519'],
    hostKeyFolder: null,
    network: { gateway: '192.0.2.1', nameservers: ['192.0.2.1', '192.0.2.2'], domain: null, wifi: null },
    system: { timezone: null, locale: null },
    seedVolume: 'none',
    unmount: 'ask',
    overwrite: 'ask',
    nodes: [],
    ...changes,
  };
}

export function makeSet(changes: Partial<NodeFileParts> = {}): NodeFileSet {
  return makeNodeFiles({
    plan: orchardPlan(),
    node: orchardNode(),
    mechanism: noCloud,
    existing: { userData: null, metaData: null, networkConfig: null },
    instanceId: 'orchard-01-6f1c',
    ...changes,
  });
}

export function textOf(set: NodeFileSet, path: string): string {
  const file = set.files.find((one) => one.path === path);
  if (!file) throw new Error(`no ${path} among ${set.files.map((one) => one.path).join(', ') || 'nothing'}`);
  return Buffer.from(file.content).toString('utf8');
}

/** YAML as the node's first-boot program reads it: PyYAML's safe loader (YAML 1.1). */
export function readAsPython(yaml: string): Record<string, unknown> {
  const program = 'import json, sys, yaml; print(json.dumps(yaml.safe_load(sys.stdin.read()), default=str))';
  return JSON.parse(execFileSync('/usr/bin/python3', ['-c', program], { input: yaml, encoding: 'utf8' }));
}

export function hasPythonYaml(): boolean {
  try {
    execFileSync('/usr/bin/python3', ['-c', 'import yaml'], { stdio: 'ignore' });
    return true;
  } catch {
    // Not installed: the tests that need it say so.
    return false;
  }
}
