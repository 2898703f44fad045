/** What systemd is told about the daemon: the texts, and what systemd itself says of them. */
import { execFileSync, spawnSync } from 'node:child_process';
import * as fs from 'node:fs';
import { basename, join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { defaultPolicy } from '../../src/contract/policy.ts';
import { defaultRuntimeFolder, rights, socketOf } from '../../src/daemon/contract/rights.ts';
import { laidFiles, services, sockets } from '../../src/daemon/install/laid-files.ts';
import { parsePolicy } from '../../src/guard/policy/parse-policy.ts';
import { describeWith } from '../lab/capabilities.ts';
import { useWorkFolder } from '../records/work-folder.ts';

const workFolder = useWorkFolder();
const places = { home: '/opt/cardwright', node: process.execPath };
const files = laidFiles(places);
const textOf = (name: string) => files.find(({ path }) => basename(path) === name)?.text ?? '';

/** The values of a setting, in order. */
const valuesOf = (unit: string, setting: string) =>
  [...textOf(unit).matchAll(new RegExp(`^${setting}=(.*)$`, 'gm'))].map(([, value]) => value);

describe('the units', () => {
  it.each(rights)('give the right to %s a socket where the command line looks for it', (right) => {
    const unit = `cardwright-${right}.socket`;
    expect(valuesOf(unit, 'ListenStream')).toEqual([socketOf(right, defaultRuntimeFolder)]);
    expect(valuesOf(unit, 'FileDescriptorName')).toEqual([right]);
    expect(valuesOf(unit, 'SocketMode')).toEqual(['0660']);
    expect(valuesOf(unit, 'SocketGroup')).toEqual([`cardwright-${right}`]);
    expect(valuesOf(unit, 'Service')).toEqual(['cardwright-front.service']);
    expect(textOf('cardwright.conf')).toContain(`g cardwright-${right} -`);
  });

  it('keep the station to the front', () => {
    const unit = 'cardwright-station.socket';
    expect(valuesOf(unit, 'FileDescriptorName')).toEqual(['station']);
    expect(valuesOf(unit, 'SocketMode')).toEqual(['0600']);
    expect(valuesOf(unit, 'SocketUser')).toEqual(valuesOf('cardwright-front.service', 'User'));
    const [path] = valuesOf(unit, 'ListenStream');
    expect(textOf('cardwright-front.service')).toContain(`--station ${path} `);
  });

  it('hand all three sockets to the front, whichever is knocked at first', () => {
    const own = rights.map((right) => `cardwright-${right}.socket`).join(' ');
    expect(valuesOf('cardwright-front.service', 'Sockets')).toEqual([own]);
  });

  it('leave the station in the mount namespace of the machine', () => {
    const isolating =
      /^(?:Private(?:Tmp|Devices|IPC|Users|PIDs)|Protect(?:System|Home|Proc|Kernel\w+|ControlGroups)|ProcSubset|Root\w+|BindPaths|BindReadOnlyPaths|\w*Paths|TemporaryFileSystem|MountFlags|MountImages|DynamicUser)=/m;
    expect(textOf('cardwright-station.service')).not.toMatch(isolating);
    expect(textOf('cardwright-front.service')).toMatch(isolating);
    expect(valuesOf('cardwright-station.service', 'PrivateMounts')).toEqual(['no']);
  });

  it('take a path as it is, whatever stands in it', () => {
    const [front] = laidFiles({ home: '/opt/a "b" $HOME 5%\\', node: '/opt/node' })
      .filter(({ path }) => path.endsWith('front.service'))
      .map(({ text }) => text);
    expect(front).toContain('"/opt/a \\"b\\" $$HOME 5%%\\\\/dist/front.cjs"');
    expect(front).not.toMatch(/@(?:HOME|NODE)@/);
  });
});

describe('the example of a policy', () => {
  it('says what holds without one, and names the groups', () => {
    const { source, groups, ...example } = parsePolicy(Buffer.from(textOf('policy.yaml')), 'policy.yaml');
    expect({ ...example, groups: {}, source: 'built in' }).toEqual(defaultPolicy);
    expect(source).toBe('policy.yaml');
    expect(groups).toEqual(Object.fromEntries(rights.map((right) => [right, `cardwright-${right}`])));
  });
});

describeWith(['program:systemd-analyze'], 'the units, as systemd sees them', () => {
  /** The program where the units say that it is, as far as the check looks. */
  function layUnits(): string {
    const folder = workFolder();
    fs.copyFileSync(join(import.meta.dirname, '..', '..', 'README.md'), join(folder, 'README.md'));
    for (const { path, text } of laidFiles({ ...places, home: folder }))
      fs.writeFileSync(join(folder, basename(path)), text);
    return folder;
  }

  it('have no mistake', () => {
    const folder = layUnits();
    const units = [...sockets, ...services].map((name) => join(folder, name));
    const { status, stdout, stderr } = spawnSync('systemd-analyze', ['verify', ...units], {
      encoding: 'utf8',
    });
    expect({ status, said: stdout + stderr }).toEqual({ status: 0, said: '' });
  });

  /** Measured with systemd 252; what is left of the station's exposure is told one by one in DEVELOPERS.md. */
  it.each([
    ['cardwright-front.service', 0.5],
    ['cardwright-station.service', 4.2],
  ])('expose %s to no more than %d', (unit, most) => {
    const said = execFileSync(
      'systemd-analyze',
      ['security', '--offline=yes', '--no-pager', join(layUnits(), unit)],
      { encoding: 'utf8' },
    );
    const exposure = Number(/Overall exposure level for \S+: ([\d.]+)/.exec(said)?.[1]);
    expect(exposure).toBeLessThanOrEqual(most);
  });
});
