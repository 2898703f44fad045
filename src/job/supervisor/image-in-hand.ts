import type { Readable } from 'node:stream';
import type { ImageFacts } from '../../contract/image.ts';

/** An image that is open and whose size is known: what a worker is given of it. */
export interface ImageInHand {
  facts: ImageFacts;
  sizeBytes: number;
  feed: { kind: 'file'; fd: number } | { kind: 'pipe'; stream: Readable };
  /** SHA-256 (hex) that the bytes which are really read must have; of the packed bytes where there is a container */
  expectedSha256: string | null;
  /** resolves with the SHA-256 of the packed bytes (null where not asked for) once the decoder ended well */
  decoded: Promise<string | null>;
  /** ends the decoder, closes the file */
  close(): Promise<void>;
}
