import { createRequire } from 'node:module';
import { dirname } from 'node:path';
import { fileURLToPath, pathToFileURL } from 'node:url';
import { build } from 'esbuild';

/**
 * Makes one .mjs file of a TypeScript program whose imports are relative to tests/records, to be run by plain node
 * and killed. The database's native part cannot be bundled, so it is named by its absolute place.
 */
export async function bundleChild(source: string, outfile: string): Promise<void> {
  const native = pathToFileURL(createRequire(import.meta.url).resolve('better-sqlite3')).href;
  await build({
    stdin: { contents: source, resolveDir: dirname(fileURLToPath(import.meta.url)), loader: 'ts' },
    bundle: true,
    platform: 'node',
    target: 'node20',
    format: 'esm',
    outfile,
    logLevel: 'silent',
    plugins: [
      {
        name: 'native-database',
        setup: (setup) => {
          setup.onResolve({ filter: /^better-sqlite3$/ }, () => ({ path: native, external: true }));
        },
      },
    ],
  });
}
