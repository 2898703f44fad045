import type { ByteSource } from '../../contract/blocks.ts';
import type { ContainerKind } from '../../contract/image.ts';
import { readBzip2 } from './bzip2.ts';
import type { ContainerFacts } from './container-facts.ts';
import { readGzip } from './gzip.ts';
import { readXz } from './xz.ts';
import { readZip } from './zip.ts';
import { readZstd } from './zstd.ts';

type Reader = (source: ByteSource) => ContainerFacts | Promise<ContainerFacts>;

const readers: Record<ContainerKind, Reader> = {
  raw: ({ sizeBytes }) => ({ container: 'raw', sizeBytes, memberName: null, findings: [] }),
  gz: readGzip,
  xz: readXz,
  zst: readZstd,
  bz2: readBzip2,
  zip: readZip,
};

/** What the container itself tells, nothing unpacked. Throws what the reader of that format throws. */
export async function readContainer(source: ByteSource, kind: ContainerKind): Promise<ContainerFacts> {
  return readers[kind](source);
}
