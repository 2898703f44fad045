import type { ImageFacts } from '../../contract/image.ts';

/** What the image's table counts in; 512 where it has none. */
export function sectorBytesOf(image: ImageFacts): number {
  return image.table?.sectorBytes ?? 512;
}
