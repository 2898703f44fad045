import type { Finding } from '../contract/finding.ts';
import type { MechanismFacts, NodeFile } from '../contract/identity.ts';
import type { Plan, PlanNode } from '../contract/plan.ts';
import type { RootLook } from '../contract/root-facts.ts';
import type { HostKey } from './keys/host-key.ts';
import type { FirstBootFile } from './nocloud/first-boot-files.ts';

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
  /** files that the node makes at its first boot, already read */
  firstBootFiles?: readonly FirstBootFile[];
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

/** A set that says why there is none. */
export function refusedFor(findings: Finding[]): NodeFileSet {
  return { files: [], remove: [], replaced: [], findings };
}

export function textFile(path: string, text: string, secret: boolean): NodeFile {
  return { path, content: Buffer.from(text), secret };
}
