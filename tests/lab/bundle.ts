/**
 * Makes one plain .mjs file of a TypeScript program, so that node runs it without a test runner: as a child that is
 * to be killed, or inside the guest. Modules of the lab find their companions (reaper, plugin) as before; packages
 * from node_modules stay outside and are found from `resolveFrom`.
 */
import { dirname } from 'node:path';
import { fileURLToPath, pathToFileURL } from 'node:url';
import { build } from 'esbuild';

const labFolder = dirname(fileURLToPath(import.meta.url));

/** `source` is the text of a program whose imports are relative to tests/lab. */
export async function bundleProgram(source: string, outfile: string): Promise<void> {
  await build({
    stdin: { contents: source, resolveDir: labFolder, sourcefile: 'program.ts', loader: 'ts' },
    bundle: true,
    platform: 'node',
    target: 'node20',
    format: 'esm',
    outfile,
    logLevel: 'silent',
    // Bundled packages may call require(); ESM has none by itself.
    banner: {
      js: "import { createRequire } from 'node:module'; const require = createRequire(import.meta.url);",
    },
    plugins: [
      {
        name: 'keep-own-place',
        setup(setup) {
          setup.onLoad({ filter: /tests\/lab\/.*\.ts$/ }, async ({ path }) => {
            const { readFile } = await import('node:fs/promises');
            const text = await readFile(path, 'utf8');
            return {
              contents: text.replaceAll('import.meta.url', JSON.stringify(pathToFileURL(path).href)),
              loader: 'ts',
            };
          });
        },
      },
    ],
  });
}
