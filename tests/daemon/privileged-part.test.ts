import * as fs from 'node:fs';
import { join } from 'node:path';
import { build } from 'esbuild';
import { describe, expect, it } from 'vitest';

const root = join(import.meta.dirname, '..', '..');

/** Files of the source with code in the privileged part, and packages in it. */
async function partsOf(entry: string): Promise<{ rooms: string[]; packages: string[] }> {
  const { metafile } = await build({
    absWorkingDir: root,
    entryPoints: [entry],
    bundle: true,
    platform: 'node',
    format: 'esm',
    write: false,
    metafile: true,
    packages: 'external',
    logLevel: 'silent',
    outdir: 'nowhere',
  });
  const [output] = Object.values(metafile.outputs);
  // Some constants of other rooms come along; code is more than they are.
  const rooms = Object.entries(output?.inputs ?? {})
    .filter(([, { bytesInOutput }]) => bytesInOutput > 700)
    .map(([path]) => path);
  const packages = (output?.imports ?? []).filter(({ external }) => external).map(({ path }) => path);
  return { rooms, packages };
}

function linesIn(folder: string): number {
  return fs
    .readdirSync(join(root, folder), { recursive: true, withFileTypes: true })
    .filter((entry) => entry.isFile())
    .reduce(
      (sum, { parentPath, name }) =>
        sum + fs.readFileSync(join(parentPath, name), 'utf8').split('\n').length - 1,
      0,
    );
}

describe('the privileged part', () => {
  it('reads no image, no plan, no template and no file system, and serves no network', async () => {
    const { rooms, packages } = await partsOf('src/daemon/station/start.ts');
    const foreign =
      /^src\/(?:cli|rehearsal|volume|identity\/nocloud|image\/(?:table|root|inspect)|batch\/plan\/read)/;
    expect(rooms.filter((path) => foreign.test(path))).toEqual([]);
    expect(
      packages.filter((name) => /liquidjs|fatfs|ext2fs|fastify|ssh2|^(node:)?https?$/.test(name)),
    ).toEqual([]);
    // What it is made of is really looked at.
    expect(rooms).toContain('src/job/station/claim-card.ts');
    expect(packages).toContain('better-sqlite3');
  });

  it('is small enough to be read in one sitting', () => {
    expect(linesIn('src/daemon/station')).toBeLessThan(1000);
  });

  it('is apart from the front, which has nothing that opens a disk', async () => {
    const { rooms, packages } = await partsOf('src/daemon/front/start.ts');
    expect(
      rooms.filter((path) => /^src\/(?:devices|guard|media|records|job|volume|image)\//.test(path)),
    ).toEqual([]);
    expect(packages.filter((name) => /drivelist|sqlite/.test(name))).toEqual([]);
  });
});
