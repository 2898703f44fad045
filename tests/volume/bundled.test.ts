import { spawnSync } from 'node:child_process';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join, resolve } from 'node:path';
import { build } from 'esbuild';
import { expect, it } from 'vitest';
import { describeWith } from '../lab/capabilities.ts';
import { applied, checkFat, fatTools, makeFat, mtools } from './fat-image.ts';

/**
 * As the worker runs it: one CommonJS text on standard input, the compiled library inside it, and once that is
 * loaded no descriptor left to be opened (RLIMIT_NOFILE 0).
 */
const program = `
import { execFileSync } from 'node:child_process';
import { closeSync, openSync, readSync, writeSync } from 'node:fs';
import wasm from 'js-fatfs/dist/fatfs.wasm';
import { loadFat } from './src/volume/fat/load-fat.ts';
import { openVolume } from './src/volume/open-volume.ts';

async function main() {
  await loadFat(wasm);
  const bytes = Buffer.alloc(Number(process.env.SIZE));
  readSync(3, bytes, 0, bytes.length, 0);
  execFileSync('prlimit', ['--nofile=0:0', '--pid', String(process.pid)]);
  let refusal = 'opened';
  try {
    closeSync(openSync('/dev/null', 'r'));
  } catch (error) {
    refusal = error.code;
  }
  const source = { sizeBytes: bytes.length, read: (offset, length) => bytes.subarray(offset, offset + length) };
  const volume = openVolume(source, { startByte: 0, sizeBytes: bytes.length, sectorBytes: 512 });
  volume.writeFile('user-data', Buffer.from('written by the bundle'));
  const changes = volume.changes().map(({ offset, data }) => ({ offset, data: data.toString('base64') }));
  volume.close();
  writeSync(1, JSON.stringify({ refusal, changes }));
}
main();
`;

describeWith(
  [...fatTools, 'program:prlimit'],
  'bundled into one CommonJS text',
  { timeoutMs: 60_000 },
  () => {
    it.each([
      ['-F', '16'],
      ['-F', '32'],
    ])('edits a volume without opening a file: %s %s', async (...args) => {
      const { outputFiles } = await build({
        stdin: { contents: program, resolveDir: resolve(import.meta.dirname, '../..'), loader: 'ts' },
        bundle: true,
        write: false,
        format: 'cjs',
        platform: 'node',
        target: 'node20',
        loader: { '.wasm': 'binary' },
        define: { 'import.meta.url': '"file:///cardwright"' },
        logLevel: 'silent',
      });
      const image = makeFat([...args, '-n', 'BOOTFS'], 12 * 2 ** 20);
      const folder = mkdtempSync(join(tmpdir(), 'cardwright-bundle-'));
      try {
        const path = join(folder, 'volume.img');
        writeFileSync(path, image);
        // The shell opens the image as descriptor 3; node gets its text on standard input.
        const { status, stdout, stderr } = spawnSync('sh', ['-c', 'exec node - 3<volume.img'], {
          cwd: folder,
          env: { ...process.env, SIZE: String(image.length) },
          input: outputFiles[0]?.text ?? '',
          encoding: 'utf8',
          maxBuffer: 2 ** 26,
        });
        expect({ status, stderr }).toEqual({ status: 0, stderr: '' });
        const answer = JSON.parse(stdout) as { refusal: string; changes: { offset: number; data: string }[] };
        expect(answer.refusal).toBe('EMFILE');
        const changes = answer.changes.map(({ offset, data }) => ({
          offset,
          data: Buffer.from(data, 'base64'),
        }));
        const after = applied(image, changes);
        expect(checkFat(after)).toMatchObject({ status: 0 });
        if (args[1] === '16') expect(mtools(after, 'mtype', ['::/user-data'])).toBe('written by the bundle');
      } finally {
        rmSync(folder, { recursive: true, force: true });
      }
    });
  },
);
