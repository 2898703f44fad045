import { CardwrightError } from '../contract/cardwright-error.ts';
import { type Finding, finding } from '../contract/finding.ts';
import type { ImageFacts } from '../contract/image.ts';
import type { RootLook } from '../contract/root-facts.ts';
import { hashSource } from './checksum/hash-file.ts';
import { findCloneHazards } from './clone-hazards.ts';
import type { ContainerFacts } from './container/container-facts.ts';
import { containerMagicBytes, detectContainer } from './container/detect-container.ts';
import { type ImageSource, openSource } from './container/open-source.ts';
import { readContainer } from './container/read-container.ts';
import { decodePass, type InspectProgress } from './decode-pass.ts';
import { examineLayout, type Layout } from './examine-layout.ts';
import {
  isZeroThroughout,
  refuseAllZero,
  refuseStranger,
  strangerHeadBytes,
  strangerTailBytes,
} from './name-stranger.ts';
import { lookAtRoot } from './root/read-root.ts';
import { usualSpoolFolder } from './sparse-spool.ts';

export interface InspectOptions {
  /** `when-needed`: unpack no more than it takes to know size and partitions; `always`: unpack and check all of it */
  decode: 'when-needed' | 'always';
  /** true: `packedSha256` is filled in, by a second reading of the file */
  hashPacked?: boolean;
  onProgress?: (progress: InspectProgress) => void;
  signal?: AbortSignal;
  /** where the unpacked image is kept while it is looked into; `/var/tmp` unless given */
  spoolFolder?: string;
  /** the user and group that decoders run as */
  uid?: number;
  gid?: number;
}

interface Content {
  layout: Layout;
  sizeBytes: number | null;
  sizeFrom: ImageFacts['sizeFrom'];
  hazards: Finding[];
  root?: RootLook;
}

function notLookedAt(why: string): Finding[] {
  return [finding('image.hazards-not-looked-at', 'note', { why })];
}

async function inspectRaw(source: ImageSource): Promise<Content> {
  const { path, sizeBytes } = source;
  const tailBytes = Math.min(strangerTailBytes, sizeBytes);
  refuseStranger({
    path,
    head: source.read(0, Math.min(strangerHeadBytes, sizeBytes)),
    tail: source.read(sizeBytes - tailBytes, tailBytes),
    container: 'raw',
  });
  const layout = examineLayout(source, { withBackup: true, isWhole: true });
  if (layout.shape === 'opaque' && isZeroThroughout(source)) refuseAllZero(path, 'raw');
  const hazards = await findCloneHazards(source, layout);
  return { layout, sizeBytes, sizeFrom: 'format', hazards, root: await lookAtRoot(source, layout) };
}

async function inspectPacked(
  source: ImageSource,
  facts: ContainerFacts,
  options: InspectOptions,
): Promise<Content> {
  const isAlways = options.decode === 'always';
  if (facts.sizeBytes === 0) throw new CardwrightError('image.empty', { facts: { path: source.path } });
  const pass = await decodePass(source, facts, {
    isFull: isAlways || facts.sizeBytes === null,
    spoolFolder: isAlways ? (options.spoolFolder ?? usualSpoolFolder()) : null,
    onProgress: options.onProgress,
    signal: options.signal,
    uid: options.uid,
    gid: options.gid,
  });
  try {
    const { layout, content, decodedBytes } = pass;
    return {
      layout,
      sizeBytes: facts.sizeBytes ?? decodedBytes,
      sizeFrom: decodedBytes === null ? 'format' : 'decoded',
      hazards: content
        ? await findCloneHazards(content, layout)
        : notLookedAt(pass.notKept ?? 'the image is packed and was not unpacked as a whole'),
      ...(content ? { root: await lookAtRoot(content, layout) } : {}),
    };
  } finally {
    pass.close();
  }
}

function sizeNotes(sizeBytes: number | null): Finding[] {
  if (sizeBytes === null || sizeBytes % 512 === 0) return [];
  return [finding('image.partial-sector', 'note', { sizeBytes })];
}

async function inspectSource(source: ImageSource, options: InspectOptions): Promise<ImageFacts> {
  if (source.sizeBytes === 0) throw new CardwrightError('image.empty', { facts: { path: source.path } });
  const container = detectContainer(source.read(0, Math.min(containerMagicBytes, source.sizeBytes)));
  const facts = await readContainer(source, container);
  const content =
    container === 'raw' ? await inspectRaw(source) : await inspectPacked(source, facts, options);
  const { layout, sizeBytes } = content;
  // a size that was counted needs no hint beside it
  const notes = facts.findings.filter(({ code }) => code !== 'image.size-hint' || sizeBytes === null);
  const packedSha256 = options.hashPacked ? await hashSource(source, options.signal) : null;
  source.assertUnchanged();
  return {
    path: source.path,
    container,
    packedBytes: source.sizeBytes,
    sizeBytes,
    sizeFrom: content.sizeFrom,
    memberName: facts.memberName,
    shape: layout.shape,
    table: layout.table,
    volumes: layout.volumes,
    bootVolume: layout.bootVolume,
    packedSha256,
    fileStamp: source.stamp,
    ...(content.root ? { root: content.root } : {}),
    findings: [...layout.findings, ...notes, ...sizeNotes(sizeBytes), ...content.hazards],
  };
}

/**
 * What is in this file? Container, real size, partition table, volumes, boot volume, completeness, and what would
 * make nodes from it collide. Faults of the content are findings (`refuse`), so that all of them can be shown; a
 * file that cannot be read, unpacked or taken for an image at all is thrown.
 * @throws CardwrightError any `image.*` of the container and content; `image.changed` when written to meanwhile
 */
export async function inspectImage(path: string, options: InspectOptions): Promise<ImageFacts> {
  const source = openSource(path);
  try {
    return await inspectSource(source, options);
  } finally {
    source.close();
  }
}

/**
 * The gate before writing.
 * @throws CardwrightError with the code of the first finding that refuses, and all findings beside it
 */
export function requireWritableImage(facts: ImageFacts): void {
  const refusal = facts.findings.find(({ severity }) => severity === 'refuse' || severity === 'fail');
  if (refusal) throw new CardwrightError(refusal.code, { facts: refusal.facts, findings: facts.findings });
}
