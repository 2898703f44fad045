import { createHash } from 'node:crypto';
import type { ByteSource } from '../../contract/blocks.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Finding } from '../../contract/finding.ts';
import type { MechanismFacts, NodeFile } from '../../contract/identity.ts';
import type { DigestMap } from '../../contract/job.ts';
import type { Plan, PlanNode } from '../../contract/plan.ts';
import type { RootLook } from '../../contract/root-facts.ts';
import { applyNodeFiles } from '../../identity/apply-node-files.ts';
import { settingsFiles } from '../../identity/boot-settings.ts';
import { detectMechanism } from '../../identity/detect-mechanism.ts';
import { keepHostKey } from '../../identity/host-key-promise.ts';
import { identityFileName, makeIdentityFile, type NodeIdentity } from '../../identity/identity-file.ts';
import { takeNodeOff } from '../../identity/image-files.ts';
import type { HostKey } from '../../identity/keys/host-key.ts';
import { listFile } from '../../identity/listed-files.ts';
import { makeNodeFiles, type NodeFileSet } from '../../identity/make-node-files.ts';
import type { FirstBootFile } from '../../identity/nocloud/first-boot-files.ts';
import { examineLayout } from '../../image/examine-layout.ts';
import { lookAtRoot } from '../../image/root/read-root.ts';
import type { Medium } from '../../media/medium.ts';
import { type BootVolume, openVolume } from '../../volume/open-volume.ts';
import type { Extent } from '../../volume/overlay.ts';
import { applyChanges } from './apply-changes.ts';
import type { CardSource } from './card-source.ts';

/** Everything that makes one node itself, as plain data: it crosses the process border. */
export interface EditOrder {
  volume: Extent;
  plan: Plan;
  node: PlanNode;
  /** the plan's extra files, read with the rights of whoever asked */
  extraFiles: { path: string; content: Uint8Array }[];
  /** files that the node makes at its first boot, read in the same way */
  firstBootFiles: FirstBootFile[];
  /** new for each writing: by it the first-boot program knows that it has not run yet */
  instanceId: string;
  /** none where the image makes its own */
  hostKeys: HostKey[];
  identity: NodeIdentity;
  /** what was learnt of the image's root volume beforehand; null where it was not looked at */
  root: RootLook | null;
  /** for the digests of secret files in the identity file; new for each writing */
  filesKey: Uint8Array;
  modifiedAtMs: number;
}

export interface WrittenFile {
  path: string;
  sizeBytes: number;
  /** lower-case hex */
  sha256: string;
}

export interface EditReport {
  mechanism: MechanismFacts;
  files: WrittenFile[];
  /** of the identity file, lower-case hex */
  identitySha256: string;
  /** files of another node that were taken away */
  removed: string[];
  /** settings of the image's own files that the node's took the place of */
  replaced: string[];
  findings: Finding[];
}

/**
 * Works out the node's files for a volume, without changing it.
 *
 * @throws CardwrightError `identity.*` where the plan asks for what the mechanism cannot carry, or there is no way in
 */
export function planEdit(volume: BootVolume, order: EditOrder): NodeFileSet & { mechanism: MechanismFacts } {
  const mechanism = detectMechanism(volume, order.root);
  const existing = {
    userData: readText(volume, 'user-data'),
    metaData: readText(volume, 'meta-data'),
    networkConfig: readText(volume, 'network-config'),
    cmdline: readText(volume, settingsFiles.cmdline),
    firmware: readText(volume, settingsFiles.firmware),
  };
  const { plan, node, instanceId, hostKeys, extraFiles, firstBootFiles } = order;
  // Only keys that are recorded here have to be kept.
  const keep = hostKeys.length === 0 ? null : keepHostKey(order.root);
  const recordNote = `cardwright ${order.identity.tool}`;
  const made = makeNodeFiles({
    plan,
    node,
    mechanism,
    existing,
    instanceId,
    recordNote,
    hostKeys,
    extraFiles,
    firstBootFiles,
    root: order.root,
    firstBootFixes: keep?.commands ?? [],
  });
  const findings = [...made.findings, ...(keep?.findings ?? [])];
  const refusal = made.findings.find((found) => found.severity === 'refuse');
  if (refusal) throw new CardwrightError(refusal.code, { facts: refusal.facts, findings: made.findings });
  return { ...made, findings, mechanism };
}

function readText(volume: BootVolume, path: string): string | null {
  return volume.stat(path) === null ? null : Buffer.from(volume.readFile(path)).toString('utf8');
}

export interface EditedFiles {
  mechanism: MechanismFacts;
  /** all that was written: the node's files, copies of the image's own that they replaced, the identity file */
  files: NodeFile[];
  removed: string[];
  replaced: string[];
  findings: Finding[];
}

/**
 * Makes a volume the node's, in memory: an earlier node's files go, the image's own come back, then the node's go in.
 * All of it or, on an error, nothing.
 *
 * @throws CardwrightError `identity.*`, `volume.*`
 */
export function editFiles(volume: BootVolume, order: EditOrder): EditedFiles {
  return volume.atomically(() => {
    const earlier = takeNodeOff(volume);
    const { files: made, remove, replaced, findings, mechanism } = planEdit(volume, order);
    const { files, removed, folders } = applyNodeFiles(volume, made, remove);
    const listed = files.map((file) => listFile(file, order.filesKey));
    const identityFile = makeIdentityFile(order.identity, { files: listed, folders });
    volume.writeFile(identityFile.path, identityFile.content);
    const written = [...files, identityFile];
    const left = earlier.filter((path) => volume.stat(path) === null);
    const gone = [...new Set([...left, ...removed])];
    return { mechanism, files: written, removed: gone, replaced, findings };
  });
}

/** What could not be looked at in a packed image lies unpacked on the card. */
export async function withRoot(source: ByteSource, order: EditOrder): Promise<EditOrder> {
  const { volumes } = examineLayout(source, { withBackup: false, isWhole: true });
  return { ...order, root: order.root ?? (await lookAtRoot(source, { volumes })) };
}

/**
 * Whether a card can become the node's, before anything of it is changed.
 *
 * @throws CardwrightError `identity.*`, `volume.*`
 */
export async function checkEdit(source: ByteSource, order: EditOrder): Promise<null> {
  const known = await withRoot(source, order);
  const volume = openVolume(source, order.volume);
  try {
    editFiles(volume, known);
    return null;
  } finally {
    volume.close();
  }
}

/** Edits the boot volume in an overlay, then writes the changed sectors and brings the digest map up to date. */
export async function editBootVolume(
  card: { medium: Medium; map: DigestMap; source: CardSource; headIsHeld: boolean },
  order: EditOrder,
): Promise<EditReport> {
  const known = await withRoot(card.source, order);
  const volume = openVolume(card.source, order.volume, { modifiedAtMs: order.modifiedAtMs });
  try {
    const { files, removed, replaced, findings, mechanism } = editFiles(volume, known);
    await applyChanges(volume.changes(), card);
    const written = files.map(({ path, content }) => ({
      path,
      sizeBytes: content.length,
      sha256: hexDigest(content),
    }));
    const identitySha256 = written.find(({ path }) => path === identityFileName)?.sha256 ?? '';
    const all = [...volume.findings, ...findings];
    return { mechanism, files: written, identitySha256, removed, replaced, findings: all };
  } finally {
    volume.close();
  }
}

/** Opens the volume again and gives the paths of files that are not as they were written. */
export function checkNodeFiles(source: ByteSource, extent: Extent, files: readonly WrittenFile[]): string[] {
  const volume = openVolume(source, extent);
  try {
    return files
      .filter(({ path, sha256 }) => volume.stat(path) === null || hexDigest(volume.readFile(path)) !== sha256)
      .map(({ path }) => path);
  } finally {
    volume.close();
  }
}

function hexDigest(content: Uint8Array): string {
  return createHash('sha256').update(content).digest('hex');
}
