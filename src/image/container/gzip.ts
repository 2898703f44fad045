import type { ByteSource } from '../../contract/blocks.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { finding } from '../../contract/finding.ts';
import { viewOf } from '../byte-view.ts';
import { type ContainerFacts, damaged, truncated } from './container-facts.ts';

/** A header and a trailer and an empty deflate block between them: RFC 1952 section 2.3. */
const leastBytes = 10 + 2 + 8;

/**
 * gzip (RFC 1952). Its last four bytes are the size modulo 2^32 of the last member only (section 2.3.1, ISIZE), so
 * they are a hint to show and never a size. Throws `image.truncated`, `image.damaged`, `image.method-unsupported`.
 */
export function readGzip(source: ByteSource): ContainerFacts {
  if (source.sizeBytes < leastBytes) throw truncated('gz', `it has only ${source.sizeBytes} bytes`);
  const [, , method = 0, flags = 0] = source.read(0, 4);
  if (method !== 8) {
    throw new CardwrightError('image.method-unsupported', { facts: { container: 'gz', method } });
  }
  if ((flags & 0xe0) !== 0) throw damaged('gz', 'reserved flags are set in its header');
  const hintBytes = viewOf(source.read(source.sizeBytes - 4, 4)).getUint32(0, true);
  return {
    container: 'gz',
    sizeBytes: null,
    memberName: null,
    findings: [finding('image.size-hint', 'note', { hintBytes })],
  };
}
