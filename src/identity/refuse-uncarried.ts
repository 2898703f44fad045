import { type Finding, finding } from '../contract/finding.ts';
import type { Carried, MechanismFacts } from '../contract/identity.ts';
import type { Plan, PlanNode } from '../contract/plan.ts';
import type { RootLook } from '../contract/root-facts.ts';
import { isAtLeast, nameProgram } from './first-boot-program.ts';
import { isDeferred } from './nocloud/first-boot-files.ts';
import { seedVolumeWouldWork } from './seed-place.ts';

/** What a node is to be given, and by what. */
export interface CarryRequest {
  plan: Plan;
  node: PlanNode;
  mechanism: MechanismFacts;
  /** host keys made here */
  withHostKeys: boolean;
  /** cmdline.txt of the boot volume; null where there is none */
  kernelLine: string | null;
  /** what was learnt of the root volume; null where it was not looked at */
  root: RootLook | null;
}

const mechanismNames: Readonly<Record<MechanismFacts['mechanism'], string>> = {
  'nocloud-files': 'NoCloud',
  'nocloud-label': 'NoCloud',
  'marker-files': 'marker files',
  none: 'none',
};

const askedNames: Readonly<Record<Carried, string>> = {
  hostName: 'a host name',
  domain: 'a domain',
  authorizedKeys: 'authorized keys',
  password: 'a password',
  sudo: 'rules for becoming root',
  network: 'a static address',
  wifi: 'a wireless network',
  hostKeys: 'host keys made here',
  timezone: 'a time zone',
  locale: 'a locale',
  files: 'files on the node',
  commands: 'commands',
};

/** What the plan asks for this node, of the kinds that a mechanism may not carry. */
function listAsked({ plan, node, withHostKeys }: CarryRequest): Carried[] {
  const { access, network, system } = plan;
  const asked: [Carried, boolean][] = [
    ['hostName', true],
    ['domain', network.domain !== null],
    ['authorizedKeys', access.authorizedKeys.length > 0],
    ['password', access.passwordHash !== null],
    // "free" stands in a plan that does not ask.
    ['sudo', access.sudo !== 'free'],
    ['network', node.address !== null],
    ['wifi', network.wifi !== null && node.link === 'wifi'],
    ['hostKeys', withHostKeys],
    ['timezone', system.timezone !== null],
    ['locale', system.locale !== null],
    ['files', node.firstBoot.files.length > 0],
    ['commands', node.firstBoot.commands.length > 0],
  ];
  return asked.filter(([, isAsked]) => isAsked).map(([kind]) => kind);
}

function canCarry(request: CarryRequest, kind: Carried): boolean {
  const { mechanism, kernelLine } = request;
  if (kind === 'hostName' && mechanism.mechanism === 'marker-files' && kernelLine === null) return false;
  if (kind === 'files' && whyNoOwner(request) !== null) return false;
  return mechanism.carries[kind];
}

/** Files that wait for users need a module of their own (cloud-init, change log, 21.4: write-files-deferred). */
function whyNoOwner({ node, root }: CarryRequest): string | null {
  const file = node.firstBoot.files.find(isDeferred);
  if (file === undefined || root?.state !== 'read') return null;
  const { program, settings } = root.facts;
  const isThere = settings.modules?.includes('write_files_deferred') ?? true;
  if (isThere && isAtLeast(program, 21, 4) !== false) return null;
  const whose = file.path.startsWith('/home/') ? 'below /home' : 'of other owners than root';
  return `without the module write_files_deferred ${nameProgram(program)} makes no files ${whose}`;
}

function seedVolumeHelps({ root, kernelLine, plan, mechanism }: CarryRequest): boolean {
  if (root?.state !== 'read' || plan.seedVolume !== 'none') return false;
  const isRead = mechanism.mechanism === 'nocloud-files' || mechanism.mechanism === 'nocloud-label';
  return !isRead && seedVolumeWouldWork(root.facts, kernelLine ?? '').works;
}

const otherImage = 'use an image that takes NoCloud files (user-data and meta-data)';

/** Ways out as one sentence: "Do this, or that, or the other." */
function waysOut(request: CarryRequest, uncarried: readonly Carried[]): string {
  const { plan } = request;
  const ways: string[] = [];
  if (seedVolumeHelps(request)) ways.push('put "seedVolume: far-end" into the plan');
  else {
    const changes: [Carried, string][] = [
      ['authorizedKeys', 'give a password hash (access.passwordHash) instead of keys'],
      ['hostKeys', 'put "hostKeys: image" into the plan'],
      ['network', 'let the node ask the network for its address'],
    ];
    const some = changes.filter(([kind]) => uncarried.includes(kind)).map(([, way]) => way);
    const isPasswordThere = plan.access.passwordHash !== null;
    const own = isPasswordThere
      ? some.map((way) =>
          way.replace('give a password hash (access.passwordHash) instead of keys', 'leave the keys out'),
        )
      : some;
    if (own.length > 0) ways.push(own.join(' and '));
  }
  ways.push(otherImage);
  const all = ways.join(', or ');
  return `${all.charAt(0).toUpperCase()}${all.slice(1)}.`;
}

function whyNot(request: CarryRequest, uncarried: readonly Carried[]): string {
  const { because } = request.mechanism;
  const own = uncarried.includes('files') && because.files === undefined ? whyNoOwner(request) : null;
  const reasons = [...new Set([...uncarried.flatMap((kind) => because[kind] ?? []), ...(own ? [own] : [])])];
  return reasons.length === 0 ? '' : `: ${reasons.join('; ')}`;
}

/** What speaks against making this node from this image at all, before any file is made. Pure. */
export function refuseUncarried(request: CarryRequest): Finding[] {
  const { plan, mechanism } = request;
  if (mechanism.mechanism === 'none') {
    const why = mechanism.reason ?? 'the boot volume shows no first-boot mechanism that is known here';
    return [finding('identity.no-way-in', 'refuse', { why, wayOut: waysOut(request, []) })];
  }
  const findings: Finding[] = [];
  const { user, authorizedKeys, passwordHash } = plan.access;
  if (authorizedKeys.length === 0 && passwordHash === null) {
    findings.push(finding('identity.nobody-gets-in', 'refuse', { user }));
  }
  const uncarried = listAsked(request).filter((kind) => !canCarry(request, kind));
  if (uncarried.length > 0) {
    const asked = uncarried.map((kind) => askedNames[kind]).join(', ');
    const facts = { asked, mechanism: mechanismNames[mechanism.mechanism], why: whyNot(request, uncarried) };
    findings.push(
      finding('identity.mechanism-cannot-carry', 'refuse', { ...facts, wayOut: waysOut(request, uncarried) }),
    );
  }
  return findings;
}
