import { describe, expect, it } from 'vitest';
import { catalogueEntry } from '../../src/contract/catalogue/index.ts';
import { adviseOn, describeFinding } from '../../src/contract/finding.ts';
import type { Carried } from '../../src/contract/identity.ts';
import { makeHostKey } from '../../src/identity/keys/host-key.ts';
import type { NodeFileParts } from '../../src/identity/make-node-files.ts';
import { carriedBy } from '../../src/identity/what-is-carried.ts';
import {
  growerHash,
  makeSet,
  markers,
  noCloud,
  orchardNode,
  orchardPlan,
  rootLook,
  textOf,
} from './orchard.ts';

const cmdline = 'console=tty1 root=PARTUUID=1234abcd-02 rootwait\n';
const withLine = { userData: null, metaData: null, networkConfig: null, cmdline };
const passwordOnly = orchardPlan({ authorizedKeys: [], passwordHash: growerHash, sshPassword: true });

const { network } = orchardPlan();
const none = {
  mechanism: 'none' as const,
  evidence: [],
  carries: carriedBy('none'),
  because: {},
  reason: 'nothing is there',
  remarks: [],
};

const wifi = { name: 'orchard', key: '0'.repeat(64), country: 'ES', hidden: false };
const work = { path: '/etc/motd', source: '/x', template: false, mode: '0644', owner: 'root:root' };
const withNetwork = (changes: Partial<typeof network>) => ({
  ...passwordOnly,
  network: { ...network, ...changes },
});

function refusalsOf(changes: Partial<NodeFileParts>) {
  const set = makeSet(changes);
  const refusals = set.findings.filter(({ severity }) => severity === 'refuse');
  if (refusals.length > 0) expect([set.files, set.remove, set.replaced]).toEqual([[], [], []]);
  return refusals;
}

describe('what is refused before anything is written', () => {
  it('an image with no mechanism: no way in found', () => {
    const [refusal] = refusalsOf({ mechanism: none });
    expect(refusal?.code).toBe('identity.no-way-in');
    expect(refusal && describeFinding(refusal)).toMatch(/^No way in found.*: nothing is there\.$/);
    expect(catalogueEntry('identity.no-way-in').exit).toBe('personalizationFailed');
  });

  it.each([noCloud, markers])('a plan with neither key nor password: nobody could get in', (mechanism) => {
    const plan = orchardPlan({ authorizedKeys: [], passwordHash: null });
    const [refusal] = refusalsOf({ plan, mechanism, existing: withLine });
    expect(refusal?.code).toBe('identity.nobody-gets-in');
    expect(refusal && describeFinding(refusal)).toContain('nobody could get in');
  });

  it.each([
    ['authorized keys', { plan: orchardPlan({ passwordHash: growerHash }) }, 'authorized keys'],
    ['a static address', { node: orchardNode({ address: '192.0.2.11/24' }) }, 'a static address'],
    ['host keys', { hostKeys: [makeHostKey('x')] }, 'host keys made here'],
    ['the name, where there is no kernel line', { existing: { ...withLine, cmdline: null } }, 'a host name'],
    [
      'rules for becoming root',
      { plan: orchardPlan({ ...passwordOnly.access, sudo: 'none' }) },
      'rules for becoming root',
    ],
    ['a domain', { plan: withNetwork({ domain: 'orchard.example.org' }) }, 'a domain'],
    [
      'a wireless network',
      { plan: withNetwork({ wifi }), node: orchardNode({ link: 'wifi' }) },
      'a wireless network',
    ],
    [
      'what the node does itself',
      {
        plan: { ...passwordOnly, system: { timezone: 'Europe/Madrid', locale: 'C.UTF-8' } },
        node: orchardNode({ firstBoot: { files: [work], commands: ['true'] } }),
      },
      'a time zone, a locale, files on the node, commands',
    ],
    [
      'several at once',
      { plan: orchardPlan(), node: orchardNode({ address: '192.0.2.11/24' }) },
      'authorized keys, a static address',
    ],
  ])('what marker files cannot carry: %s', (_title, changes, asked) => {
    const [refusal] = refusalsOf({ plan: passwordOnly, mechanism: markers, existing: withLine, ...changes });
    expect(refusal).toEqual({
      code: 'identity.mechanism-cannot-carry',
      severity: 'refuse',
      facts: {
        asked,
        mechanism: 'marker files',
        why: '',
        wayOut: expect.stringMatching(/ use an image|^Use an image/),
      },
    });
  });

  const noCloudWith = (...missing: Carried[]) => ({
    ...noCloud,
    carries: { ...noCloud.carries, ...Object.fromEntries(missing.map((kind) => [kind, false])) },
    because: Object.fromEntries(missing.map((kind) => [kind, `no ${kind} here`])),
  });

  it.each([
    [
      'a wireless network',
      'wifi',
      { plan: orchardPlan({}, { network: { ...network, wifi } }), node: orchardNode({ link: 'wifi' }) },
    ],
    [
      'a time zone',
      'timezone',
      { plan: orchardPlan({}, { system: { timezone: 'Europe/Madrid', locale: null } }) },
    ],
    ['a locale', 'locale', { plan: orchardPlan({}, { system: { timezone: null, locale: 'C.UTF-8' } }) }],
    ['files on the node', 'files', { node: orchardNode({ firstBoot: { files: [work], commands: [] } }) }],
    ['commands', 'commands', { node: orchardNode({ firstBoot: { files: [], commands: ['true'] } }) }],
    ['a static address', 'network', { node: orchardNode({ address: '192.0.2.11/24' }) }],
  ] as [string, Carried, Partial<NodeFileParts>][])(
    'what this NoCloud image cannot carry: %s',
    (asked, kind, changes) => {
      const facts = { asked, mechanism: 'NoCloud', why: `: no ${kind} here` };
      expect(refusalsOf({ ...changes, mechanism: noCloudWith(kind) })).toMatchObject([
        { code: 'identity.mechanism-cannot-carry', facts },
      ]);
      // The same plan where it is carried, and the same image where nobody asks for it.
      expect(refusalsOf({ ...changes, mechanism: noCloud })).toEqual([]);
      expect(refusalsOf({ mechanism: noCloudWith(kind) })).toEqual([]);
    },
  );

  it('files of other owners, where the program has no module for them', () => {
    const look = rootLook({}, { modules: ['write_files', 'runcmd'] });
    const nodeWith = (changes: Partial<typeof work>) =>
      orchardNode({ firstBoot: { files: [{ ...work, ...changes }], commands: [] } });
    const [refusal] = refusalsOf({ root: look, node: nodeWith({ owner: 'grower:grower' }) });
    expect(refusal?.facts).toMatchObject({
      asked: 'files on the node',
      why: ': without the module write_files_deferred cloud-init 22.4.2-1 makes no files of other owners than root',
    });
    const [atHome] = refusalsOf({ root: look, node: nodeWith({ path: '/home/grower/.profile' }) });
    expect(atHome?.facts.why).toMatch(/no files below \/home$/);
    expect(refusalsOf({ root: look, node: nodeWith({}) })).toEqual([]);
    // Its change log: the module is there since 21.4.
    const older = rootLook({ program: { version: '20.4.1-2', from: 'Debian package' } });
    expect(refusalsOf({ root: older, node: nodeWith({ owner: 'grower:grower' }) })).toHaveLength(1);
    expect(refusalsOf({ root: older, node: nodeWith({}) })).toEqual([]);
    expect(refusalsOf({ root: rootLook(), node: nodeWith({ owner: 'grower:grower' }) })).toEqual([]);
  });

  it('files for the first boot that are too large together', () => {
    const file = (path: string, sizeBytes: number) => ({
      path,
      content: Buffer.alloc(sizeBytes),
      mode: '0644',
      owner: 'root:root',
    });
    const most = 2 ** 19;
    expect(refusalsOf({ firstBootFiles: [file('/a', most)] })).toEqual([]);
    expect(refusalsOf({ firstBootFiles: [file('/a', most), file('/b', 1)] })).toMatchObject([
      { code: 'identity.first-boot-files-too-large', facts: { sizeBytes: most + 1, mostBytes: most } },
    ]);
  });

  it.each([
    [
      'keys, and no password',
      orchardPlan(),
      markers,
      null,
      'Give a password hash (access.passwordHash) instead of keys, or use an image that takes',
    ],
    [
      'keys beside a password',
      orchardPlan({ passwordHash: growerHash }),
      markers,
      null,
      'Leave the keys out, or use an image',
    ],
    [
      'keys, where cloud-init waits for a seed volume',
      orchardPlan(),
      markers,
      rootLook(),
      'Put "seedVolume: far-end" into the plan, or use an image',
    ],
    ['anything, where there is no way in', passwordOnly, none, null, 'Use an image that takes NoCloud files'],
    [
      'anything, where cloud-init waits for a seed volume',
      passwordOnly,
      none,
      rootLook(),
      'Put "seedVolume: far-end" into the plan, or',
    ],
    ['anything, where cloud-init is off', passwordOnly, none, rootLook({ offBy: '/x' }), 'Use an image'],
  ] as const)('is told with a way out: %s', (_title, plan, mechanism, root, wayOut) => {
    const [refusal] = refusalsOf({ plan, mechanism, root, existing: withLine });
    expect(refusal && adviseOn(refusal).slice(0, wayOut.length)).toBe(wayOut);
  });

  it('extra files that clash, or that FAT cannot hold', () => {
    const content = new Uint8Array();
    const codes = (...paths: string[]) =>
      refusalsOf({ extraFiles: paths.map((path) => ({ path, content })) }).map(({ code }) => code);
    expect(codes('User-Data')).toEqual(['identity.file-clash']);
    expect(codes('CARDWRIGHT.NODE')).toEqual(['identity.file-clash']);
    expect(codes('a.txt', 'A.TXT')).toEqual(['identity.file-clash']);
    expect(codes('../x', 'a:b', 'ok.txt')).toEqual(['volume.bad-name', 'volume.bad-name']);
    expect(codes('ok.txt', 'files/ok.txt')).toEqual([]);
  });

  it('nothing, where all can be carried; secrets are marked', () => {
    const set = makeSet({ extraFiles: [{ path: 'extra.txt', content: Buffer.from('x') }] });
    expect(set.findings).toEqual([]);
    expect(set.files.map(({ path, secret }) => [path, secret])).toEqual([
      ['extra.txt', true],
      ['user-data', true],
      ['network-config', false],
      ['meta-data', false],
    ]);
  });
});

describe('marker files', () => {
  it('carry a password, and the name on the kernel line', () => {
    const set = makeSet({ plan: passwordOnly, mechanism: markers, existing: withLine });
    expect(set.files.map(({ path, secret }) => [path, secret])).toEqual([
      ['cmdline.txt', false],
      ['userconf.txt', true],
      ['ssh', false],
    ]);
    // Format: common practice, no source: `user:crypt-hash` in the first line.
    expect(textOf(set, 'userconf.txt')).toBe(`grower:${growerHash}\n`);
    // kernel-command-line(7): systemd.hostname=
    expect(textOf(set, 'cmdline.txt')).toBe(
      'console=tty1 root=PARTUUID=1234abcd-02 rootwait systemd.hostname=orchard-01\n',
    );
    expect(set.remove).toEqual(['ssh.txt', 'userconf', 'failed_userconf.txt']);
    expect(set.findings.map(({ code }) => code)).toEqual(['identity.name-by-kernel-line']);
  });

  it('start no server where the password is not for SSH', () => {
    const plan = orchardPlan({ authorizedKeys: [], passwordHash: growerHash, sshPassword: false });
    const set = makeSet({ plan, mechanism: markers, existing: withLine });
    expect(set.files.map(({ path }) => path)).toEqual(['cmdline.txt', 'userconf.txt']);
    expect(set.remove).toContain('ssh');
  });

  it('put one name on the line, whatever was there', () => {
    const line = (text: string) =>
      textOf(
        makeSet({ plan: passwordOnly, mechanism: markers, existing: { ...withLine, cmdline: text } }),
        'cmdline.txt',
      );
    expect(line('quiet systemd.hostname=old splash')).toBe('quiet splash systemd.hostname=orchard-01\n');
    expect(line('')).toBe('systemd.hostname=orchard-01\n');
    expect(line('quiet\r\n')).toBe('quiet systemd.hostname=orchard-01\n');
    expect(line('quiet\n# kept\n')).toBe('quiet systemd.hostname=orchard-01\n# kept\n');
    expect(line(line('quiet'))).toBe(line('quiet'));
  });
});
