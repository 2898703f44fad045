/** A changed copy of the real image: more files in its root volume, put there by debugfs(8), nothing mounted. */
import { writeFileSync } from 'node:fs';
import { mkdir } from 'node:fs/promises';
import { join } from 'node:path';
import type { Cleanup } from '../cleanup.ts';
import type { RealImage } from './prepared-image.ts';
import { rootStartOf } from './recipe.ts';
import { runProgram } from './run-program.ts';

export interface RootChanges {
  /** taken away first, by absolute path */
  removed?: readonly string[];
  /** files of this machine by absolute path, copied with their modes */
  copies?: Readonly<Record<string, string>>;
  /** text by absolute path; the folders are there */
  files: Readonly<Record<string, string>>;
  /** where a link points, by its absolute path */
  links: Readonly<Record<string, string>>;
}

const patient = { timeoutMs: 10 * 60_000 };

/** Unpacks the image into `parent` and changes it there. @returns its path, a raw image */
export async function changeImage(
  cleanup: Cleanup,
  parent: string,
  image: RealImage,
  { removed = [], copies = {}, files, links }: RootChanges,
): Promise<string> {
  const work = join(parent, 'changed-image');
  await mkdir(work);
  const disk = join(work, 'node-os.img');
  // dd leaves blocks of zeros out, so that the copy takes no more room than it has to.
  const unpack = 'xz --decompress --stdout "$1" | dd of="$2" bs=1M iflag=fullblock conv=sparse status=none';
  await runProgram(
    cleanup,
    work,
    'bash',
    ['-o', 'pipefail', '-c', unpack, 'bash', image.packedPath, disk],
    patient,
  );
  const commands = removed.map((path) => `rm ${path}`);
  for (const [i, [path, text]] of Object.entries(files).entries()) {
    const source = join(work, `file-${i}`);
    writeFileSync(source, text);
    commands.push(`write ${source} ${path}`);
  }
  for (const [path, source] of Object.entries(copies)) commands.push(`write ${source} ${path}`);
  for (const [path, target] of Object.entries(links)) commands.push(`symlink ${path} ${target}`);
  const script = join(work, 'commands');
  writeFileSync(script, `${commands.join('\n')}\n`);
  const place = `${disk}?offset=${rootStartOf(image.recipe)}`;
  await runProgram(cleanup, work, 'debugfs', ['-w', '-f', script, place], patient);
  return disk;
}
