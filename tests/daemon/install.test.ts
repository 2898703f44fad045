/** Installing below a root of the test's own, and undoing it. The real machine is never touched here. */
import * as fs from 'node:fs';
import { join } from 'node:path';
import { beforeEach, describe, expect, it } from 'vitest';
import { findHidden, findWritable } from '../../src/daemon/install/judge-program.ts';
import { laidFiles } from '../../src/daemon/install/laid-files.ts';
import { planInstall, planRemoval } from '../../src/daemon/install/plan-install.ts';
import { install, takeAway } from '../../src/daemon/install/take-steps.ts';
import { runTool } from '../e2e/run-tool.ts';
import { useWorkFolder } from '../records/work-folder.ts';

const workFolder = useWorkFolder();
let root: string;
beforeEach(() => {
  root = workFolder();
});

const policy = 'etc/cardwright/policy.yaml';
const unit = 'etc/systemd/system/cardwright-station.service';
const at = (path: string) => join(root, path);
const read = (path: string) => fs.readFileSync(at(path), 'utf8');

/** Everything below the root with its content, folders ending in a slash. */
function tree(): Record<string, string> {
  const names = fs.readdirSync(root, { recursive: true, encoding: 'utf8' }).toSorted();
  return Object.fromEntries(
    names.map((name) => (fs.lstatSync(at(name)).isDirectory() ? [`${name}/`, ''] : [name, read(name)])),
  );
}

const station = (...words: string[]) => runTool(['station', ...words, '--root', root, '--json']);
const actions = (lines: Record<string, unknown>[]) =>
  new Set(lines.filter(({ type }) => type === 'step').map(({ action }) => action));

describe('cardwright station --install', () => {
  it('lays everything down, and a second time finds it as it is', async () => {
    const first = await station('--install');
    expect(first.status, first.stderr).toBe(0);
    expect(actions(first.lines)).toEqual(new Set(['make-folder', 'make-file']));
    expect(first.lines.at(-1)).toMatchObject({ type: 'installed', root, dryRun: false });
    const laid = tree();
    expect(Object.keys(laid).filter((name) => !name.endsWith('/'))).toEqual([
      policy,
      ...[
        'administer.socket',
        'front.service',
        'look.socket',
        'station.service',
        'station.socket',
        'write.socket',
      ].map((name) => `etc/systemd/system/cardwright-${name}`),
      'etc/sysusers.d/cardwright.conf',
      'etc/tmpfiles.d/cardwright.conf',
      'var/lib/cardwright/installed.json',
    ]);
    expect(fs.statSync(at('var/lib/cardwright')).mode & 0o777).toBe(0o700);
    expect(fs.statSync(at(policy)).mode & 0o777).toBe(0o644);
    const second = await station('--install');
    expect(actions(second.lines)).toEqual(new Set(['same']));
    expect(tree()).toEqual(laid);
  });

  it('shows what it would do, and does nothing', async () => {
    const { status, lines } = await station('--install', '--dry-run');
    expect(status).toBe(0);
    expect(actions(lines)).toEqual(new Set(['make-folder', 'make-file']));
    expect(tree()).toEqual({});
  });

  it('says the same in words, without colour in a pipe', async () => {
    const { stdout } = await runTool(['station', '--install', '--dry-run', '--root', root], {
      env: { NO_COLOR: '' },
    });
    expect(stdout).toContain(`to make   /${unit}\n`);
    expect(stdout).toContain('systemctl enable --now cardwright-station.socket');
    expect(stdout).not.toContain('\u001b');
    expect(stdout.split('\n').every((line) => line.length <= 80)).toBe(true);
  });

  it('keeps a policy that is there', async () => {
    fs.mkdirSync(at('etc/cardwright'), { recursive: true });
    fs.writeFileSync(at(policy), 'maxSizeBytes: 64 GB\n');
    const { status, lines } = await station('--install');
    expect(status).toBe(0);
    expect(lines).toContainEqual(expect.objectContaining({ action: 'keep', path: at(policy) }));
    await station('--remove');
    expect(tree()).toEqual({ 'etc/': '', 'etc/cardwright/': '', [policy]: 'maxSizeBytes: 64 GB\n' });
  });

  it('renews its own units for a new place of the program, and no others', () => {
    const lay = (home: string) =>
      install(planInstall(laidFiles({ home, node: '/usr/bin/node' }), root), root);
    lay('/opt/one');
    lay('/opt/two');
    expect(read(unit)).toContain('"/opt/two/dist/station.js"');
    fs.appendFileSync(at(unit), '# mine\n');
    const changed = tree();
    expect(() => lay('/opt/three')).toThrow(
      expect.objectContaining({ code: 'daemon.install-in-the-way', exitStatus: 2 }),
    );
    expect(tree()).toEqual(changed);
  });

  it('knows either text of a unit again after a crash between ledger and unit', () => {
    const plan = (home: string) => planInstall(laidFiles({ home, node: '/usr/bin/node' }), root);
    install(plan('/opt/one'), root);
    const before = read(unit);
    install(plan('/opt/two'), root);
    fs.writeFileSync(at(unit), before);
    expect(plan('/opt/two')).toContainEqual(
      expect.objectContaining({ action: 'renew-file', path: `/${unit}` }),
    );
  });

  it.each([
    ['a link instead of a folder', () => fs.symlinkSync('/tmp', at('etc'))],
    ['a link instead of a unit', () => linkInstead()],
    ['a file instead of a folder', () => fs.writeFileSync(at('etc'), '')],
  ])('does not follow %s', async (_what, prepare) => {
    prepare();
    const before = fs.readdirSync(root);
    const { status, lines } = await station('--install');
    expect(status).toBe(2);
    expect(lines.at(-1)).toMatchObject({ code: 'daemon.install-in-the-way' });
    expect(fs.readdirSync(root)).toEqual(before);
  });

  function linkInstead(): void {
    fs.mkdirSync(at('etc/systemd/system'), { recursive: true });
    fs.symlinkSync('/nowhere', at(unit));
  }

  it.each([
    [[], 'usage.missing-argument'],
    [['--install', '--remove'], 'usage.conflicting-options'],
    [['--install', '--root', '/nowhere'], 'usage.bad-value'],
  ])('refuses %j', async (words, code) => {
    expect(await runTool(['station', ...words, '--json'])).toMatchObject({ status: 2, lines: [{ code }] });
  });
});

describe('cardwright station --remove', () => {
  it('leaves what was there before, to the folder', async () => {
    fs.mkdirSync(at('etc/systemd'), { recursive: true });
    fs.writeFileSync(at('etc/fstab'), '# mine\n');
    const before = tree();
    await station('--install');
    const { status, lines } = await station('--remove');
    expect(status).toBe(0);
    expect(actions(lines)).toEqual(new Set(['remove-file', 'remove-folder']));
    expect(tree()).toEqual(before);
  });

  it('keeps the records, and says so', async () => {
    await station('--install');
    fs.writeFileSync(at('var/lib/cardwright/records.db'), 'records');
    const { lines } = await station('--remove');
    expect(lines).toContainEqual(
      expect.objectContaining({
        action: 'keep',
        path: at('var/lib/cardwright'),
        why: 'the records are in it',
      }),
    );
    expect(Object.keys(tree())).toEqual([
      'var/',
      'var/lib/',
      'var/lib/cardwright/',
      'var/lib/cardwright/records.db',
    ]);
  });

  it('keeps what was changed since, and says so', async () => {
    await station('--install');
    fs.appendFileSync(at(policy), '# mine\n');
    const { lines } = await station('--remove');
    expect(lines).toContainEqual(
      expect.objectContaining({ action: 'keep', path: at(policy), why: 'it was changed since' }),
    );
    expect(read(policy)).toMatch(/# mine\n$/);
  });

  it('goes on where something is gone already', () => {
    install(planInstall(laidFiles({ home: '/opt/one', node: '/usr/bin/node' }), root), root);
    fs.rmSync(at('etc/sysusers.d'), { recursive: true });
    takeAway(planRemoval(root), root);
    expect(tree()).toEqual({});
  });

  it('has nothing to do where nothing was installed', async () => {
    expect(await station('--remove')).toMatchObject({
      status: 10,
      lines: [{ code: 'daemon.not-installed' }],
    });
  });
});

describe('the place of the program', () => {
  it.each([
    ['/home/grower/cardwright', '/usr/bin/node', ['/home']],
    ['/opt/cardwright', '/root/node/bin/node', ['/root']],
    ['/tmp/cardwright', '/var/tmp/node', ['/tmp', '/var/tmp']],
    ['/opt/cardwright', '/usr/bin/node', []],
    ['/homestead/cardwright', '/usr/bin/node', []],
  ])('is looked at: %s, run by %s', (home, node, folders) => {
    expect(findHidden({ home, node }).map(({ facts }) => facts.folder)).toEqual(folders);
  });

  it('is warned about where others can change it', async () => {
    const numbers = (uid: number, isFile: boolean) => ({
      uid,
      mode: 0o755,
      isFile: () => isFile,
      isDirectory: () => !isFile,
      isSymbolicLink: () => false,
    });
    const isFile = (path: string) => /\.(?:c?js|json)$|node$/.test(path);
    const found = await findWritable(
      { home: '/srv/cardwright', node: '/usr/bin/node' },
      {
        lstat: async (path) => numbers(path === '/srv/cardwright/dist' ? 1000 : 0, isFile(path)),
        readFile: async () => new Uint8Array(),
      },
    );
    expect(found.map(({ code, facts }) => [code, facts.path])).toEqual([
      ['daemon.program-writable', '/srv/cardwright/dist/station.js'],
      ['daemon.program-writable', '/srv/cardwright/dist/worker.cjs'],
    ]);
    expect(found[0]?.facts.why).toContain('/srv/cardwright/dist belongs to user 1000');
  });
});
