/** The Debian package: what is in it, and that the program runs from it. Nothing is installed. */
import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { basename, join } from 'node:path';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { laidFiles } from '../../src/daemon/install/laid-files.ts';
import { runTool } from '../e2e/run-tool.ts';
import { describeWith } from '../lab/capabilities.ts';

const top = join(import.meta.dirname, '..', '..');
const run = (program: string, ...args: string[]) =>
  execFileSync(program, args, { cwd: top, encoding: 'utf8', stdio: ['ignore', 'pipe', 'pipe'] });

describeWith(
  ['linux', 'program:dpkg-deb', 'program:dpkg'],
  'the Debian package',
  { timeoutMs: 60_000 },
  () => {
    let folder: string;
    let file: string;
    beforeAll(() => {
      folder = fs.mkdtempSync('/tmp/cardwright-deb-test-');
      run(process.execPath, 'src/daemon/install/make-package.js', folder);
      file = join(folder, fs.readdirSync(folder)[0] ?? '');
      run('dpkg-deb', '--extract', file, join(folder, 'root'));
    });
    afterAll(() => fs.rmSync(folder, { recursive: true, force: true }));

    it('says what it is and what it needs', () => {
      const [major] = process.versions.node.split('.').map(Number);
      const said = run('dpkg-deb', '--info', file);
      expect(said).toMatch(/^ Package: cardwright$/m);
      // The record store is native code, made for one major version of Node.
      expect(said).toContain(`nodejs (>= ${major}~), nodejs (<< ${(major ?? 0) + 1}~)`);
      expect(run('dpkg-deb', '--info', file, 'conffiles')).toBe('/etc/cardwright/policy.yaml\n');
      for (const script of ['postinst', 'prerm', 'postrm']) expect(said).toContain(script);
    });

    it('is small, belongs to root, and nobody else may write to it', () => {
      expect(fs.statSync(file).size).toBeLessThan(6e6);
      const lines = run('dpkg-deb', '--contents', file).trim().split('\n');
      for (const line of lines) expect(line).toMatch(/^(?:[d-]rw[x-]r-[x-]r-[x-]|lrwxrwxrwx) root\/root /);
      expect(lines.join('\n')).not.toMatch(
        /node_modules\/(?:typescript|vitest|esbuild|prebuild-install|[^/]+\/test)\/|\.(?:ts|o|cc?|cpp|h)$/m,
      );
    });

    it('has the units and all that goes with them, for the places that it has itself', () => {
      for (const { path, text } of laidFiles({ home: '/usr/lib/cardwright', node: '/usr/bin/node' })) {
        const place = path.startsWith('/etc/cardwright/') ? path : path.replace('/etc/', '/usr/lib/');
        expect(fs.readFileSync(join(folder, 'root', place), 'utf8'), basename(path)).toBe(text);
      }
    });

    it('runs: a rehearsal of one card with all that it loads', async () => {
      const { status, stderr } = await runTool(
        ['rehearse', '--cards', '1', '--fault', 'none', '--folder', join(folder, 'orchard'), '--json'],
        { launcher: join(folder, 'root/usr/bin/cardwright') },
      );
      expect(status, stderr).toBe(0);
    });
  },
);
