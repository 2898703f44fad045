import { describe, expect, it } from 'vitest';
import { catalogueEntry } from '../../src/contract/catalogue/index.ts';
import { describeFinding } from '../../src/contract/finding.ts';
import { makeHostKey } from '../../src/identity/keys/host-key.ts';
import type { NodeFileParts } from '../../src/identity/make-node-files.ts';
import { growerHash, makeSet, markers, noCloud, orchardNode, orchardPlan, textOf } from './orchard.ts';

const cmdline = 'console=tty1 root=PARTUUID=1234abcd-02 rootwait\n';
const withLine = { userData: null, metaData: null, networkConfig: null, cmdline };
const passwordOnly = orchardPlan({ authorizedKeys: [], passwordHash: growerHash });

function refusalsOf(changes: Partial<NodeFileParts>) {
  const set = makeSet(changes);
  const refusals = set.findings.filter(({ severity }) => severity === 'refuse');
  if (refusals.length > 0) expect([set.files, set.remove, set.replaced]).toEqual([[], [], []]);
  return refusals;
}

describe('what is refused before anything is written', () => {
  it('an image with no mechanism: no way in found', () => {
    const none = {
      mechanism: 'none' as const,
      evidence: [],
      carries: { ...markers.carries, hostName: false, password: false },
    };
    const [refusal] = refusalsOf({ mechanism: none });
    expect(refusal?.code).toBe('identity.no-way-in');
    expect(refusal && describeFinding(refusal)).toMatch(/^No way in found/);
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
    ['host keys', { hostKey: makeHostKey('x') }, 'host keys made here'],
    ['the name, where there is no kernel line', { existing: { ...withLine, cmdline: null } }, 'a host name'],
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
      facts: { asked, mechanism: 'marker files' },
    });
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
      ['ssh', false],
      ['userconf.txt', true],
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
