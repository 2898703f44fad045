import * as fs from 'node:fs';
import type { ByteSource } from '../../contract/blocks.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { NodeFile } from '../../contract/identity.ts';
import type { ImageFacts } from '../../contract/image.ts';
import { withoutVolume } from '../../identity/detect-mechanism.ts';
import { refuseUncarried } from '../../identity/refuse-uncarried.ts';
import { openImageStream } from '../../image/container/open-image-stream.ts';
import { openSource } from '../../image/container/open-source.ts';
import { loadFat } from '../../volume/fat/load-fat.ts';
import { type BootVolume, openVolume } from '../../volume/open-volume.ts';
import { planEdit } from '../engine/edit-boot-volume.ts';
import { type NodeRequest, orderEdit } from './order-edit.ts';

const chunkBytes = 65_536;

/**
 * Opens the boot volume as it lies in the image, so that a plan which it cannot carry is refused before anything is
 * written. A packed image is unpacked up to the end of that volume; chunks of zeros take no memory.
 *
 * @throws CardwrightError `job.no-boot-volume`, `image.*`, `volume.*`
 */
export async function withImageVolume<T>(
  image: ImageFacts,
  nodeName: string,
  use: (volume: BootVolume) => T,
): Promise<T> {
  const boot = image.bootVolume;
  if (!boot)
    throw new CardwrightError('job.no-boot-volume', { card: 'untouched', facts: { node: nodeName } });
  await loadFat();
  const extent = { startByte: boot.startByte, sizeBytes: boot.sizeBytes, sectorBytes: sectorBytesOf(image) };
  const open = (source: ByteSource): T => {
    const volume = openVolume(source, extent);
    try {
      return use(volume);
    } finally {
      volume.close();
    }
  };
  if (image.container !== 'raw') return open(await unpackUpTo(image, boot.startByte + boot.sizeBytes));
  const source = openSource(image.path);
  try {
    return open(source);
  } finally {
    source.close();
  }
}

export function sectorBytesOf(image: ImageFacts): number {
  return image.table?.sectorBytes ?? 512;
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

/** With the way out that the image's root volume leaves. */
function refuseWithoutVolume(image: ImageFacts, { plan, node }: NodeRequest): never {
  const withHostKeys = plan.hostKeys === 'create';
  const root = image.root ?? null;
  const parts = { plan, node, mechanism: withoutVolume, withHostKeys, kernelLine: null, root };
  const [refusal] = refuseUncarried(parts);
  throw new CardwrightError(refusal?.code ?? 'job.no-boot-volume', {
    card: 'untouched',
    facts: refusal?.facts ?? { node: node.name },
  });
}

/**
 * The files that a node would get on a card from this image.
 *
 * @throws CardwrightError `job.no-boot-volume`, `identity.*` where the image's first boot cannot carry what the plan asks
 */
export async function planNodeFiles(
  image: ImageFacts,
  request: NodeRequest,
  toolVersion: string,
): Promise<NodeFile[]> {
  if (!image.bootVolume) refuseWithoutVolume(image, request);
  return withImageVolume(image, request.node.name, (volume) => {
    const extent = image.bootVolume ?? { startByte: 0, sizeBytes: 0 };
    const order = orderEdit(request, {
      volume: extent,
      sectorBytes: sectorBytesOf(image),
      recordUuid: '',
      imageSha256: image.packedSha256,
      root: image.root ?? null,
      toolVersion,
      nowMs: Date.now(),
      keepsHostKeys: false,
    });
    return planEdit(volume, order).files;
  });
}
