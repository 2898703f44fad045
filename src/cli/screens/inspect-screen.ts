import { escapeText } from '../../contract/escape-text.ts';
import type { MechanismFacts } from '../../contract/identity.ts';
import type { ContainerKind, ImageFacts, ImageShape, ImageTable, ImageVolume } from '../../contract/image.ts';
import type { SeedVolumeOutlook } from '../../identity/seed-place.ts';
import { entries, entry, type Sheet } from '../text/sheet.ts';
import { formatExactBytes, formatSize } from '../text/sizes.ts';
import { type Row, table } from '../text/table.ts';
import { adviceOn, findingLines } from './finding-lines.ts';
import { mechanismLines, rootLines, seedLines } from './first-boot-lines.ts';

const containers: Record<ContainerKind, string> = {
  raw: 'not packed',
  gz: 'packed with gzip',
  xz: 'packed with xz',
  zst: 'packed with zstd',
  bz2: 'packed with bzip2',
  zip: 'packed in a zip archive',
};

const shapes: Record<ImageShape, string> = {
  partitioned: 'a partitioned disk',
  hybrid: 'a hybrid image: its partition table also describes a whole-disk file system',
  bare: 'one file system without a partition table',
  opaque: 'neither a partition table nor a file system that is known here',
};

/** What is in an image file: container, sizes, partitions, boot volume, how it takes first-boot settings, faults. */
export function inspectScreen(
  facts: ImageFacts,
  mechanism: MechanismFacts | null,
  sheet: Sheet,
  seed: SeedVolumeOutlook | null = null,
): string[] {
  const isRejected = facts.findings.some((f) => f.severity === 'fail' || f.severity === 'refuse');
  return [
    ...verdictLines(facts, isRejected, sheet),
    ...entry(sheet, 'file', [
      escapeText(facts.path),
      containers[facts.container],
      facts.memberName === null ? null : `holds ${escapeText(facts.memberName)}`,
    ]),
    ...sizeLines(facts, sheet),
    ...entry(
      sheet,
      'sha256',
      facts.packedSha256 === null ? [] : [facts.packedSha256, 'of the file as stored'],
    ),
    ...entry(sheet, 'shape', shapes[facts.shape]),
    ...tableLines(facts.table, facts.volumes, sheet),
    ...entry(sheet, 'boot', bootPhrases(facts.bootVolume)),
    ...mechanismLines(mechanism, sheet),
    ...rootLines(facts.root, mechanism, sheet),
    ...seedLines(seed, sheet),
    ...findingLines(sheet, facts.findings),
    ...entries(sheet, 'next', adviceOn(facts.findings, ['refuse', 'fail', 'ask'])),
  ];
}

function verdictLines(facts: ImageFacts, isRejected: boolean, sheet: Sheet): string[] {
  if (isRejected) return entry(sheet, 'rejected', 'This image is not written to any card.', { tone: 'bad' });
  if (facts.sizeBytes === null) {
    return entry(sheet, 'unknown', 'The size is not known before the whole file was unpacked.', {
      tone: 'care',
    });
  }
  const size = formatSize(facts.sizeBytes);
  return entry(sheet, 'image', `This image can be written to a card of ${size} or more.`, { tone: 'good' });
}

function sizeLines({ container, packedBytes, sizeBytes, sizeFrom }: ImageFacts, sheet: Sheet): string[] {
  const packed = container === 'raw' ? null : `${formatSize(packedBytes)} packed`;
  if (sizeBytes === null) return entry(sheet, 'size', [packed, 'size on the card not known yet']);
  const source = {
    format: container === 'raw' ? 'the size of the file' : 'as the container says',
    decoded: 'counted by unpacking all of it',
    unknown: null,
  }[sizeFrom];
  return entry(sheet, 'size', [
    packed,
    `${formatSize(sizeBytes)} on the card`,
    formatExactBytes(sizeBytes),
    source,
  ]);
}

function tableLines(found: ImageTable | null, volumes: readonly ImageVolume[], sheet: Sheet): string[] {
  if (found === null) return volumes.flatMap((volume) => entry(sheet, 'volume', volumePhrases(volume)));
  const rows: Row[] = found.partitions.map((part) => {
    const volume = volumes.find((one) => one.partition === part.number);
    const cells = [
      `${part.number}`,
      formatSize(part.startByte),
      formatSize(part.sizeBytes),
      volume?.type ?? 'unknown',
      volume?.label ?? part.name ?? '',
      part.bootable ? 'yes' : '',
    ];
    // A type GUID takes 36 columns: it goes below.
    return part.type.length > 2
      ? { cells: [...cells, ''], details: entry(sheet, 'type', part.type, { indent: 4 }) }
      : { cells: [...cells, part.type] };
  });
  const number = { align: 'right' as const };
  const columns = [
    { head: 'part', ...number },
    { head: 'starts at', ...number },
    { head: 'size', ...number },
    { head: 'holds' },
    { head: 'label' },
    { head: 'active' },
    { head: 'type' },
  ];
  const kind = found.kind === 'gpt' ? 'GPT' : 'MBR';
  return [
    ...entry(sheet, 'table', [
      kind,
      `identifier ${escapeText(found.diskId)}`,
      `laid out for sectors of ${found.sectorBytes} bytes`,
    ]),
    ...table(sheet, columns, rows),
  ];
}

function volumePhrases({ type, label, sizeBytes }: ImageVolume): string[] {
  return [escapeText(type), label === null ? 'no label' : escapeText(label), formatSize(sizeBytes)];
}

function bootPhrases(volume: ImageVolume | null): string[] {
  if (volume === null) return ['no FAT volume: nothing can be put into this image for the first boot'];
  return [
    volume.partition === 0 ? 'the whole image' : `partition ${volume.partition}`,
    ...volumePhrases(volume),
  ];
}
