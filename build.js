// Bundles the command line and the worker. The worker is one self-contained CommonJS text, since it is handed to a
// process that cannot open files; native packages stay outside and are loaded by the command line alone.
import { chmodSync } from 'node:fs';
import { build } from 'esbuild';

const common = {
  bundle: true,
  platform: 'node',
  target: 'node20',
  logLevel: 'warning',
  loader: { '.wasm': 'binary' },
};

await build({
  ...common,
  entryPoints: ['src/job/worker/main.ts'],
  outfile: 'dist/worker.cjs',
  format: 'cjs',
  // Glue of the WebAssembly library wants some URL of its own; nothing is opened there.
  define: { 'import.meta.url': '"file:///cardwright"' },
});
await build({
  ...common,
  entryPoints: ['src/cli/main.ts'],
  outfile: 'dist/cardwright.js',
  format: 'esm',
  packages: 'external',
});
chmodSync('dist/worker.cjs', 0o644);
