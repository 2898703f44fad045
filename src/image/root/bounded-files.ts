import { ExtUnreadable, type ExtVolume } from '../ext-volume.ts';

/** As much as a root volume is asked for; a real one takes some hundred questions and a megabyte or two. */
const mostFiles = 6000;
const mostBytes = 16 * 2 ** 20;

/**
 * A root volume that can be asked for so much and no more, whatever its folders and files promise.
 * @throws ExtUnreadable where that is exceeded
 */
export function boundFiles(volume: ExtVolume): ExtVolume {
  let files = 0;
  let bytes = 0;
  const count = (length: number): void => {
    files += 1;
    bytes += length;
    if (files > mostFiles || bytes > mostBytes)
      throw new ExtUnreadable('it holds more than a root volume does');
  };
  return {
    kind: async (path) => {
      count(0);
      return volume.kind(path);
    },
    target: async (path) => {
      count(0);
      return volume.target(path);
    },
    sizeBytes: async (path) => {
      count(0);
      return volume.sizeBytes(path);
    },
    names: async (path) => {
      const names = await volume.names(path);
      count(names?.reduce((sum, name) => sum + name.length, 0) ?? 0);
      return names;
    },
    text: async (path, most) => {
      const text = await volume.text(path, most);
      count(text?.length ?? 0);
      return text;
    },
  };
}
