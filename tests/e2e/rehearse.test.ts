import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { faultKinds } from '../../src/media/faulty-medium.ts';
import { whyMissing } from '../lab/capabilities.ts';
import { runTool } from './run-tool.ts';

const nobody = 65_534;

describe('a rehearsal', { timeout: 60_000 }, () => {
  let folder: string;
  beforeEach(() => {
    folder = fs.mkdtempSync(join(tmpdir(), 'cardwright-rehearse-'));
    fs.chmodSync(folder, 0o777);
  });
  afterEach(() => fs.rmSync(folder, { recursive: true }));

  it('runs without root, ends as foretold within 20 seconds, and leaves its files', async () => {
    const begun = Date.now();
    const asUser = process.getuid?.() === 0 ? { uid: nobody } : {};
    const end = await runTool(['rehearse', '--json', '--folder', join(folder, 'r')], {
      ...asUser,
      env: { HOME: folder, XDG_STATE_HOME: folder },
    });
    expect(end.status, end.stdout + end.stderr).toBe(0);
    expect(Date.now() - begun).toBeLessThan(20_000);
    expect(end.lines.at(-1)).toMatchObject({
      type: 'rehearsal',
      asForetold: true,
      nodes: [
        { node: 'orchard-01', state: 'done' },
        { node: 'orchard-02', state: 'done' },
        { node: 'orchard-03', state: 'unbootable', code: 'job.mismatch' },
        { node: 'orchard-04', state: 'done' },
      ],
    });
    const left = fs.readdirSync(join(folder, 'r'));
    for (const file of ['orchard.yaml', 'node-os.img', 'records.db', 'card-orchard-01.img'])
      expect(left).toContain(file);
    const spoilt = fs.readFileSync(join(folder, 'r', 'card-orchard-03.img')).subarray(0, 2 ** 20);
    expect(spoilt.every((byte) => byte === 0)).toBe(true);
  });

  it.skipIf(whyMissing('program:mtype') !== null)(
    'makes cards that differ in their node alone (needs mtools)',
    async () => {
      await runTool([
        'rehearse',
        '--quiet',
        '--folder',
        join(folder, 'r'),
        '--cards',
        '2',
        '--fault',
        'none',
      ]);
      const boots = ['01', '02'].map((number) => {
        const boot = join(folder, `boot-${number}`);
        const card = fs.readFileSync(join(folder, 'r', `card-orchard-${number}.img`));
        fs.writeFileSync(boot, card.subarray(4 * 2 ** 20, 24 * 2 ** 20));
        return execFileSync('mtype', ['-i', boot, '::user-data'], { encoding: 'utf8' });
      });
      expect(boots[0]).toMatch(/^hostname: "?orchard-01"?$/m);
      expect(boots[1]).toMatch(/^hostname: "?orchard-02"?$/m);
    },
  );

  it.each(faultKinds)('foretells %s', async (kind) => {
    const args = [
      'rehearse',
      '--json',
      '--folder',
      join(folder, 'r'),
      '--cards',
      '1',
      '--fault',
      `${kind}@orchard-01`,
    ];
    const end = await runTool(args);
    expect(end.status, end.stdout + end.stderr).toBe(0);
    expect(end.lines.at(-1)).toMatchObject({ asForetold: true, nodes: [{ state: 'unbootable' }] });
  });

  it('overwrites nothing that is there already', async () => {
    fs.writeFileSync(join(folder, 'diary.txt'), 'mine');
    const end = await runTool(['rehearse', '--json', '--folder', folder]);
    expect(end.status).toBe(2);
    expect(fs.readdirSync(folder)).toEqual(['diary.txt']);
  });

  it.each([
    ['--fault', 'gremlin@orchard-01'],
    ['--fault', 'bit-flip@orchard-09'],
    ['--cards', 'many'],
  ])('refuses %s %s', async (option, value) => {
    const end = await runTool(['rehearse', '--json', '--folder', join(folder, 'r'), option, value]);
    expect(end.status).toBe(2);
    expect(end.lines.at(-1)).toMatchObject({ type: 'error', code: 'usage.bad-value' });
  });
});
