import { type Finding, finding } from '../contract/finding.ts';
import { applyBootSettings, settingsFiles } from './boot-settings.ts';
import { checkExtraFiles } from './extra-files.ts';
import { makeUserFile, nameOnKernelLine, otherMarkerNames, sshFile } from './markers/marker-files.ts';
import { type FirstBootFile, mostFirstBootBytes } from './nocloud/first-boot-files.ts';
import { makeNoCloudFiles } from './nocloud/make-nocloud-files.ts';
import { type NodeFileParts, type NodeFileSet, refusedFor, textFile } from './node-file-set.ts';
import { refuseUncarried } from './refuse-uncarried.ts';

export type { NodeFileParts, NodeFileSet } from './node-file-set.ts';

function makeMarkers({ plan, node, existing }: NodeFileParts): NodeFileSet {
  const { user, passwordHash, sshPassword } = plan.access;
  const named = nameOnKernelLine(existing.cmdline ?? '', node.name);
  return {
    files: [
      textFile('cmdline.txt', named.text, false),
      ...(passwordHash === null ? [] : [makeUserFile(user, passwordHash)]),
      ...(sshPassword ? [sshFile] : []),
    ],
    remove: [...otherMarkerNames, ...(sshPassword ? [] : [sshFile.path])],
    replaced: named.isReplaced ? ['cmdline.txt: systemd.hostname'] : [],
    findings: [finding('identity.name-by-kernel-line', 'note')],
  };
}

function checkFirstBootSize(files: readonly FirstBootFile[]): Finding[] {
  const sizeBytes = files.reduce((sum, { content }) => sum + content.length, 0);
  const facts = { sizeBytes, mostBytes: mostFirstBootBytes };
  return sizeBytes > mostFirstBootBytes
    ? [finding('identity.first-boot-files-too-large', 'refuse', facts)]
    : [];
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
  const { plan, node, mechanism, existing, hostKeys = [], root = null } = parts;
  const kernelLine = existing.cmdline ?? null;
  const withHostKeys = hostKeys.length > 0;
  const against = [
    ...refuseUncarried({ plan, node, mechanism, withHostKeys, kernelLine, root }),
    ...checkFirstBootSize(parts.firstBootFiles ?? []),
  ];
  if (against.length > 0) return refusedFor(against);
  const make = parts.mechanism.mechanism === 'marker-files' ? makeMarkers : makeNoCloudFiles;
  const made = withBootSettings(make(parts), parts);
  const extra = parts.extraFiles ?? [];
  const findings = [...made.findings, ...checkExtraFiles(extra, made)];
  if (findings.some(({ severity }) => severity === 'refuse')) return refusedFor(findings);
  const extraFiles = extra.map(({ path, content }) => ({ path, content, secret: true }));
  return { ...made, files: [...extraFiles, ...made.files], findings };
}
