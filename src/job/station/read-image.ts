import * as fs from 'node:fs';
import type { ByteSource } from '../../contract/blocks.ts';
import type { ImageFacts } from '../../contract/image.ts';
import { openImageStream } from '../../image/container/open-image-stream.ts';
import { openSource } from '../../image/container/open-source.ts';

const chunkBytes = 65_536;

/**
 * The image's bytes up to `endByte`, as they would lie on a card. A packed image is unpacked so far; chunks of zeros
 * take no memory.
 *
 * @throws CardwrightError `image.*`
 */
export async function withImageBytes<T>(
  image: ImageFacts,
  endByte: number,
  use: (source: ByteSource) => T,
): Promise<T> {
  if (image.container !== 'raw') return use(await unpackUpTo(image, endByte));
  const source = openSource(image.path);
  try {
    return use(source);
  } finally {
    source.close();
  }
}

async function unpackUpTo(image: ImageFacts, endByte: number): Promise<ByteSource> {
  const stream = await openImageStream(image, { hashPacked: false });
  const chunks = new Map<number, Uint8Array>();
  try {
    let at = 0;
    let rest = Buffer.alloc(0);
    for await (const part of fs.createReadStream('', {
      fd: stream.fd,
      autoClose: false,
      highWaterMark: 1 << 20,
    })) {
      rest = Buffer.concat([rest, part as Buffer]);
      while (rest.length >= chunkBytes && at < endByte) {
        const chunk = rest.subarray(0, chunkBytes);
        if (chunk.some((byte) => byte !== 0)) chunks.set(at / chunkBytes, Uint8Array.from(chunk));
        rest = rest.subarray(chunkBytes);
        at += chunkBytes;
      }
      if (at >= endByte) break;
    }
    if (at < endByte) chunks.set(at / chunkBytes, Uint8Array.from(rest));
  } finally {
    await stream.close();
  }
  return sparseSource(chunks, endByte);
}

function sparseSource(chunks: ReadonlyMap<number, Uint8Array>, sizeBytes: number): ByteSource {
  return {
    sizeBytes,
    read(offset, length) {
      const target = new Uint8Array(length);
      for (let done = 0; done < length; ) {
        const index = Math.floor((offset + done) / chunkBytes);
        const from = offset + done - index * chunkBytes;
        const take = Math.min(chunkBytes - from, length - done);
        const chunk = chunks.get(index);
        if (chunk) target.set(chunk.subarray(from, from + take), done);
        done += take;
      }
      return target;
    },
  };
}
