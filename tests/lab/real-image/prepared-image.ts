/**
 * The real image, from the lab's cache where it is there. It is known by its recipe and by the versions of its
 * packages that apt on this machine knows of, so a newer archive makes a newer image; the network is asked only then.
 */
import { existsSync } from 'node:fs';
import { mkdir, readdir, rename, rm, stat, utimes } from 'node:fs/promises';
import { join } from 'node:path';
import { execa } from 'execa';
import { makeWorkFolder, withCleanup } from '../cleanup.ts';
import { labRoot } from '../ledger.ts';
import { buildImage, manifestName, packedName } from './build-image.ts';
import { nameOfImage, namePrefixOf, type Recipe, recipe } from './recipe.ts';

export interface RealImage {
  /** the disk image, packed with xz */
  packedPath: string;
  /** every package in it: name, tab, version */
  manifestPath: string;
  recipe: Recipe;
}

const unusedForDays = 14;

/** "name version" for every package of the recipe that apt knows; empty on a machine without lists of packages. */
async function candidateVersions(packages: readonly string[]): Promise<string[]> {
  const { stdout } = await execa('apt-cache', ['show', '--no-all-versions', ...packages], { reject: false });
  return stdout.split('\n\n').flatMap((stanza) => {
    const field = (name: string) => new RegExp(`^${name}: (.*)$`, 'm').exec(stanza)?.[1];
    const name = field('Package');
    return name === undefined ? [] : [`${name} ${field('Version')}`];
  });
}

/** Without lists nobody can say what would be built: then the newest image of this recipe will do. */
async function findName(cache: string): Promise<string> {
  const versions = await candidateVersions(recipe.packages);
  if (versions.length > 0) return nameOfImage(recipe, versions);
  const names = (await readdir(cache)).filter((name) => name.startsWith(namePrefixOf(recipe)));
  const dated = await Promise.all(
    names.map(async (name) => ({ name, at: (await stat(join(cache, name))).mtimeMs })),
  );
  const newest = dated.sort((a, b) => b.at - a.at)[0];
  if (newest === undefined) throw new Error('lab: apt knows no packages; run "apt-get update" once');
  return newest.name;
}

/** Images of other versions and recipes that nobody has asked for lately. */
async function dropOldImages(cache: string): Promise<void> {
  const before = Date.now() - unusedForDays * 86_400_000;
  for (const name of (await readdir(cache)).filter((entry) => entry.startsWith('real-image-'))) {
    const path = join(cache, name);
    // Another process may drop the same one.
    const seen = await stat(path).catch(() => null);
    if (seen !== null && seen.mtimeMs < before) await rm(path, { recursive: true, force: true });
  }
}

/** Gives the image; the first time, building it takes some minutes. */
export async function prepareRealImage(): Promise<RealImage> {
  const cache = process.env.CARDWRIGHT_LAB_CACHE ?? join(labRoot, 'cache');
  await mkdir(cache, { recursive: true, mode: 0o700 });
  const folder = join(cache, await findName(cache));
  if (!existsSync(folder)) {
    await withCleanup(async (cleanup) => {
      const work = await makeWorkFolder(cleanup, cache);
      const kept = await buildImage(cleanup, work, recipe);
      try {
        await rename(kept, folder);
      } catch (error) {
        // Another process was faster; its image is the same.
        if (!['ENOTEMPTY', 'EEXIST'].includes((error as NodeJS.ErrnoException).code ?? '')) throw error;
      }
    });
    await dropOldImages(cache);
  }
  const now = new Date();
  await utimes(folder, now, now);
  return { packedPath: join(folder, packedName), manifestPath: join(folder, manifestName), recipe };
}
