/** Questions at a real terminal: util-linux's script(1) gives the command line one. */
import { execFileSync, spawn } from 'node:child_process';
import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { launcher, runTool } from '../e2e/run-tool.ts';
import { describeWith } from '../lab/capabilities.ts';

describeWith(
  ['program:script', 'program:ssh-keygen'],
  'a new plan at a terminal',
  { timeoutMs: 100_000 },
  () => {
    const inFolder = async (body: (folder: string) => Promise<void>) => {
      const folder = fs.mkdtempSync(join(tmpdir(), 'cardwright-plan-'));
      try {
        await body(folder);
      } finally {
        fs.rmSync(folder, { recursive: true });
      }
    };

    function answer(folder: string, text: string): Promise<string> {
      const line = `exec ${process.execPath} ${launcher} plan --new orchard.yaml`;
      const child = spawn('script', ['-qec', line, '/dev/null'], {
        cwd: folder,
        env: { ...process.env, NO_COLOR: '1', HOME: folder },
        stdio: ['pipe', 'pipe', 'inherit'],
      });
      let screen = '';
      child.stdout.setEncoding('utf8').on('data', (more: string) => {
        // Typed once the first question stands there; the last bytes end the input only afterwards.
        if (!screen.includes('Name of the set') && (screen + more).includes('Name of the set')) {
          child.stdin.write(text);
        }
        screen += more;
      });
      return new Promise((resolve) => child.once('close', () => resolve(screen.replace(/\s+/g, ' '))));
    }

    it('is written, passes the check, and is never written over', () =>
      inFolder(async (folder) => {
        execFileSync('ssh-keygen', ['-q', '-t', 'ed25519', '-N', '', '-f', join(folder, 'grower')]);
        const screen = await answer(folder, '\n-\nroot\ngrower\ngrower.pub\n\n2\n192.0.2.11/24\n\n');
        expect(screen).toContain('root is on every machine already');
        expect(screen).toContain('cardwright plan --check orchard.yaml');
        const written = fs.readFileSync(join(folder, 'orchard.yaml'), 'utf8');
        expect(written).toContain('orchard-02, slot: "A2", address: 192.0.2.12/24');
        const checked = await runTool(['plan', '--check', 'orchard.yaml'], { cwd: folder });
        expect(checked.status, checked.stderr).toBe(0);
        const again = await runTool(['plan', '--new', 'orchard.yaml'], { cwd: folder });
        expect(again.status).toBe(2);
        expect(again.stderr).toContain('is not written over');
        expect(fs.readFileSync(join(folder, 'orchard.yaml'), 'utf8')).toBe(written);
      }));

    it('is not written where the person leaves, or where there is no terminal', () =>
      inFolder(async (folder) => {
        for (const leaving of ['orchard\n\u0004', 'orchard\n\u0003']) {
          expect(await answer(folder, leaving)).toContain('were broken off');
        }
        const { status, stderr } = await runTool(['plan', '--new', 'orchard.yaml'], { cwd: folder });
        expect(status).toBe(2);
        expect(stderr).toContain('no terminal');
        expect(fs.existsSync(join(folder, 'orchard.yaml'))).toBe(false);
      }));

    it('is one of three things that plan does', async () => {
      const schema = await runTool(['plan', '--schema', '--json']);
      expect(JSON.parse(schema.stdout)).toMatchObject({
        $schema: 'https://json-schema.org/draft/2020-12/schema',
        required: expect.arrayContaining(['plan', 'set', 'nodes']),
      });
      expect((await runTool(['plan'])).status).toBe(2);
      expect((await runTool(['plan', '--schema', '--check', 'x'])).status).toBe(2);
    });
  },
);
