import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { createProgram } from '../../src/cli/program.ts';
import { type Examples, makeRehearsalExamples, makeWalkExamples } from '../docs/make-examples.ts';
import { comparable, examplesIn } from '../docs/pages.ts';
import { describeWith } from '../lab/capabilities.ts';

const page = fs.readFileSync(join(import.meta.dirname, '..', '..', 'README.md'), 'utf8');

function expectShown(made: Examples): void {
  const shown = examplesIn(page);
  for (const [name, text] of made) {
    expect(comparable(shown.get(name) ?? ''), `example ${name}: npm run docs writes it anew`).toBe(
      comparable(text),
    );
  }
}

describeWith(['linux'], 'the README without root', { timeoutMs: 120_000 }, () => {
  it('shows the help and a rehearsal as they are', async () => {
    const folder = fs.mkdtempSync(join(tmpdir(), 'cardwright-readme-'));
    try {
      expectShown(await makeRehearsalExamples(folder));
    } finally {
      fs.rmSync(folder, { recursive: true, force: true });
    }
  });

  it('names every command and every option of the help, and no other', () => {
    const program = createProgram(async () => undefined);
    const common = ['--json', '--quiet', '--policy', '--records', '--direct'];
    const options = program.commands.flatMap((command) => command.options.map((option) => option.long ?? ''));
    const known = new Set([...options, ...common, '--help', '--version']);
    for (const command of program.commands) expect(page).toContain(`cardwright ${command.name()}`);
    for (const option of known) expect(page, option).toContain(option);
    const named = page.match(/(?<=[\s`([])--[a-z][\w-]*/g) ?? [];
    for (const option of named) expect([...known, '--check'], `${option} in the README`).toContain(option);
  });
});

describeWith(
  ['loop', 'tmpfs-direct-io', 'program:xz'],
  'the README on a disk',
  { timeoutMs: 240_000 },
  () => {
    it('shows every screen as it is', async () => {
      expectShown(await makeWalkExamples());
    });
  },
);
