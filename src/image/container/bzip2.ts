import type { ByteSource } from '../../contract/blocks.ts';
import { type ContainerFacts, truncated } from './container-facts.ts';

/** A bzip2 file has no size anywhere; its blocks carry their own checks. Throws `image.truncated`. */
export function readBzip2(source: ByteSource): ContainerFacts {
  // an empty bzip2 file has 14 bytes (bzip2 1.0.8)
  if (source.sizeBytes < 14) throw truncated('bz2', `it has only ${source.sizeBytes} bytes`);
  return { container: 'bz2', sizeBytes: null, memberName: null, findings: [] };
}
