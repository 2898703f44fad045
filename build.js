// Bundles the command line, the worker and the parts of the daemon. The worker and the daemon's front are each one self-contained CommonJS text,
// since they are handed to processes that cannot open files, or not all.
import { cp, readFile } from 'node:fs/promises';
import { build } from 'esbuild';

const common = { bundle: true, platform: 'node', target: 'node20', logLevel: 'warning' };

// Two functions of this library that are never called here assign to constants, which the bundler refuses.
const mendExt2fs = {
  name: 'mend-ext2fs',
  setup(setup) {
    setup.onLoad({ filter: /ext2fs[\\/]lib[\\/]fs\.js$/ }, async ({ path }) => ({
      contents: (await readFile(path, 'utf8'))
        .replace("const path = require('path')", "let path = require('path')")
        .replace('const toRead = Math.min', 'let toRead = Math.min'),
    }));
  },
};

const selfContained = {
  ...common,
  format: 'cjs',
  loader: { '.wasm': 'binary' },
  // Glue of the WebAssembly library wants some URL of its own; nothing is opened there.
  define: { 'import.meta.url': '"file:///cardwright"' },
  plugins: [mendExt2fs],
};

await build({ ...selfContained, entryPoints: ['src/job/worker/main.ts'], outfile: 'dist/worker.cjs' });
await build({ ...selfContained, entryPoints: ['src/daemon/front/start.ts'], outfile: 'dist/front.cjs' });
await build({
  ...common,
  entryPoints: {
    cardwright: 'src/cli/main.ts',
    cardwrightd: 'src/daemon/foreground/main.ts',
    station: 'src/daemon/station/start.ts',
  },
  outdir: 'dist',
  format: 'esm',
  // One text starts in half the time that its packages take one by one. What brings native code or WebAssembly of its
  // own stays outside.
  external: ['better-sqlite3', 'drivelist', 'ext2fs', 'js-fatfs', 'ssh2'],
  // Packages in CommonJS want a `require`.
  banner: {
    js: "import { createRequire as requireFrom } from 'node:module';\nconst require = requireFrom(import.meta.url);",
  },
});
await cp('src/daemon/install/units', 'dist/units', { recursive: true });
