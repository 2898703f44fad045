import { type Finding, finding } from '../contract/finding.ts';
import type { MechanismFacts, NodeFile } from '../contract/identity.ts';
import type { Plan, PlanNode } from '../contract/plan.ts';
import type { RootLook } from '../contract/root-facts.ts';
import { applyBootSettings, settingsFiles } from './boot-settings.ts';
import { checkExtraFiles } from './extra-files.ts';
import type { HostKey } from './keys/host-key.ts';
import { makeMarkerFiles, nameOnKernelLine, otherMarkerNames } from './markers/marker-files.ts';
import { mergeMetaData } from './nocloud/meta-data.ts';
import { makeNetworkConfig } from './nocloud/network-config.ts';
import { mergeUserData } from './nocloud/user-data.ts';
import { refuseUncarried } from './refuse-uncarried.ts';

/** What the boot volume holds now, as text; null where there is no such file. */
export interface ExistingFiles {
  userData: string | null;
  metaData: string | null;
  networkConfig: string | null;
  /** cmdline.txt: for boot settings, and with marker files for the name */
  cmdline?: string | null;
  /** config.txt: for boot settings */
  firmware?: string | null;
}

export interface NodeFileParts {
  plan: Plan;
  node: PlanNode;
  mechanism: MechanismFacts;
  existing: ExistingFiles;
  /** new for each writing */
  instanceId: string;
  /** where the files come from, in a few words ("record 14"); goes into a comment */
  recordNote?: string;
  /** made here; none where the image makes its own */
  hostKeys?: readonly HostKey[];
  /** the plan's extra files, already read */
  extraFiles?: readonly { path: string; content: Uint8Array }[];
  /** what was learnt of the root volume; null where it was not looked at */
  root?: RootLook | null;
  /** lines for a shell, run at the start of the node's first boot before anything else */
  firstBootFixes?: readonly string[];
}

export interface NodeFileSet {
  files: NodeFile[];
  /** files to take away where they exist */
  remove: string[];
  /** settings of the image's own files that the node's took the place of */
  replaced: string[];
  /** a finding of severity `refuse` means: nothing may be written; `files` is empty then */
  findings: Finding[];
}

function textFile(path: string, text: string, secret: boolean): NodeFile {
  return { path, content: Buffer.from(text), secret };
}

function oneLine(text: string): string {
  return text.replace(/[^\x20-\x7e]+/g, ' ').slice(0, 200);
}

function makeNoCloudFiles(parts: NodeFileParts): NodeFileSet {
  const { plan, node, existing, instanceId, recordNote } = parts;
  const hostKeys = parts.hostKeys ?? [];
  const note = oneLine(`${node.name} of ${plan.set}${recordNote ? `, ${recordNote}` : ''}`);
  const userData = mergeUserData(existing.userData, {
    name: node.name,
    access: plan.access,
    hostKeys,
    note,
    firstCommands: parts.firstBootFixes ?? [],
  });
  if (!userData.ok) {
    const facts = { file: 'user-data', why: userData.why };
    return {
      files: [],
      remove: [],
      replaced: [],
      findings: [finding('identity.unmergeable', 'refuse', facts)],
    };
  }
  const metaData = mergeMetaData(existing.metaData, node.name, instanceId);
  const network = makeNetworkConfig(existing.networkConfig, node.address, plan.network);
  const settings = userData.otherAccess.join(', ');
  return {
    files: [
      // Any of the image's own settings may be a secret, and the hash and host key are.
      textFile('user-data', userData.text, true),
      textFile('network-config', network.text, existing.networkConfig !== null),
      textFile('meta-data', metaData.text, false),
    ],
    remove: [],
    replaced: [...userData.replaced, ...metaData.replaced, ...network.replaced],
    findings: [
      ...(userData.bringsHostKeys && hostKeys.length === 0
        ? [finding('identity.shared-host-keys', 'note')]
        : []),
      ...(settings === '' ? [] : [finding('identity.image-access', 'note', { settings })]),
    ],
  };
}

function makeMarkers({ plan, node, existing }: NodeFileParts): NodeFileSet {
  const { user, passwordHash } = plan.access;
  const named = nameOnKernelLine(existing.cmdline ?? '', node.name);
  return {
    files: [
      textFile('cmdline.txt', named.text, false),
      ...(passwordHash === null ? [] : makeMarkerFiles(user, passwordHash)),
    ],
    remove: [...otherMarkerNames],
    replaced: named.isReplaced ? ['cmdline.txt: systemd.hostname'] : [],
    findings: [finding('identity.name-by-kernel-line', 'note')],
  };
}

/** Puts the plan's boot settings in, on top of what the mechanism itself changed. */
function withBootSettings(made: NodeFileSet, { plan, node, existing }: NodeFileParts): NodeFileSet {
  const textOf = (path: string) => {
    const file = made.files.find((one) => one.path === path);
    return file === undefined ? null : Buffer.from(file.content).toString('utf8');
  };
  const { cmdline, firmware } = settingsFiles;
  const before = {
    cmdline: textOf(cmdline) ?? existing.cmdline ?? null,
    firmware: existing.firmware ?? null,
  };
  const note = `cardwright: ${node.name} of ${plan.set}`;
  const { changed, replaced, findings } = applyBootSettings(node.boot, before, note);
  const files = [
    ...(typeof changed.cmdline === 'string' ? [textFile(cmdline, changed.cmdline, false)] : []),
    ...(typeof changed.firmware === 'string' ? [textFile(firmware, changed.firmware, false)] : []),
  ];
  const others = made.files.filter(({ path }) => files.every((file) => file.path !== path));
  return {
    ...made,
    files: [...others, ...files],
    replaced: [...made.replaced, ...replaced],
    findings: [...made.findings, ...findings],
  };
}

/**
 * The files that make one node itself, for the image's own first-boot mechanism; pure. Whatever the plan asks for and
 * the mechanism cannot carry is refused here, before anything is written.
 */
export function makeNodeFiles(parts: NodeFileParts): NodeFileSet {
  const refused = (findings: Finding[]): NodeFileSet => ({ files: [], remove: [], replaced: [], findings });
  const { plan, node, mechanism, existing, hostKeys = [], root = null } = parts;
  const kernelLine = existing.cmdline ?? null;
  const withHostKeys = hostKeys.length > 0;
  const against = refuseUncarried({ plan, node, mechanism, withHostKeys, kernelLine, root });
  if (against.length > 0) return refused(against);
  const make = parts.mechanism.mechanism === 'marker-files' ? makeMarkers : makeNoCloudFiles;
  const made = withBootSettings(make(parts), parts);
  const extra = parts.extraFiles ?? [];
  const findings = [...made.findings, ...checkExtraFiles(extra, made)];
  if (findings.some(({ severity }) => severity === 'refuse')) return refused(findings);
  const extraFiles = extra.map(({ path, content }) => ({ path, content, secret: true }));
  return { ...made, files: [...extraFiles, ...made.files], findings };
}
