import { describe, expect, it } from 'vitest';
import { detectMechanism, type LookedAtVolume } from '../../src/identity/detect-mechanism.ts';

/** Names and contents stand for a volume here; the real one is looked at in node-on-volume.test.ts. */
function volumeOf(label: string | null, files: Record<string, string | null>): LookedAtVolume {
  return {
    label,
    stat: (path) => {
      const content = files[path];
      if (content === undefined) return null;
      const kind = content === null ? 'folder' : 'file';
      return { name: path, kind, sizeBytes: content?.length ?? 0, isReadOnly: false, shortName: path };
    },
    readFile: (path) => Buffer.from(files[path] ?? ''),
  };
}

const firstBootLine = 'console=tty1 root=PARTUUID=1234abcd-02 rootwait quiet init=/usr/lib/node-os/firstboot';

// Rules: cloud-init "NoCloud" (files; label in upper or lower case alone); the rest is common practice, no source.
describe('the first-boot mechanism, from outside', () => {
  it.each([
    [
      'both files',
      'BOOTFS',
      { 'user-data': '', 'meta-data': '' },
      'nocloud-files',
      ['user-data', 'meta-data'],
    ],
    [
      'both files beside a first-boot script',
      'bootfs',
      { 'user-data': '', 'meta-data': '', 'config.txt': '', 'cmdline.txt': firstBootLine },
      'nocloud-files',
      ['user-data', 'meta-data'],
    ],
    [
      'both files and the label',
      'CIDATA',
      { 'user-data': '', 'meta-data': '' },
      'nocloud-files',
      ['user-data', 'meta-data', 'label CIDATA'],
    ],
    ['the label in lower case', 'cidata', {}, 'nocloud-label', ['label cidata']],
    ['the label in capitals', 'CIDATA', {}, 'nocloud-label', ['label CIDATA']],
    [
      'the label of a widespread setting, which stands in the root volume',
      'system-boot',
      { 'config.txt': '', 'cmdline.txt': '' },
      'none',
      [],
    ],
    ['a label in mixed case', 'CiData', {}, 'none', []],
    ['one of two files', 'BOOTFS', { 'user-data': '' }, 'none', ['user-data']],
    ['folders of those names', 'BOOTFS', { 'user-data': null, 'meta-data': null }, 'none', []],
    [
      'a first-boot script',
      null,
      { 'cmdline.txt': firstBootLine },
      'marker-files',
      ['cmdline.txt', 'init=/usr/lib/node-os/firstboot in cmdline.txt'],
    ],
    [
      'the pair of boot files',
      'bootfs',
      { 'config.txt': '', 'cmdline.txt': 'quiet' },
      'marker-files',
      ['config.txt', 'cmdline.txt'],
    ],
    ['another init', null, { 'cmdline.txt': 'init=/sbin/init' }, 'none', []],
    ['a word that only looks like it', null, { 'cmdline.txt': 'rdinit=/firstboot' }, 'none', []],
    ['a boot loader alone', 'BOOT', { 'extlinux/extlinux.conf': '' }, 'none', []],
    ['nothing', null, {}, 'none', []],
  ] as [string, string | null, Record<string, string | null>, string, string[]][])(
    '%s',
    (_title, label, files, mechanism, evidence) => {
      const facts = detectMechanism(volumeOf(label, files));
      expect([facts.mechanism, facts.evidence]).toEqual([mechanism, evidence]);
    },
  );

  it('tells what each can carry', () => {
    const carries = (label: string | null, files: Record<string, string>) =>
      Object.entries(detectMechanism(volumeOf(label, files)).carries)
        .filter(([, can]) => can)
        .map(([what]) => what);
    const all = [
      ...['hostName', 'domain', 'authorizedKeys', 'password', 'sudo', 'network', 'wifi', 'hostKeys'],
      ...['timezone', 'locale', 'files', 'commands'],
    ];
    expect(carries(null, { 'user-data': '', 'meta-data': '' })).toEqual(all);
    expect(carries('cidata', {})).toEqual(all);
    expect(carries(null, { 'config.txt': '', 'cmdline.txt': '' })).toEqual(['hostName', 'password']);
    expect(carries(null, {})).toEqual([]);
  });

  it('does not read a kernel line of megabytes', () => {
    const volume = volumeOf(null, { 'cmdline.txt': firstBootLine });
    const huge: LookedAtVolume = {
      ...volume,
      stat: (path) => {
        const entry = volume.stat(path);
        return entry && { ...entry, sizeBytes: 2 ** 30 };
      },
    };
    expect(detectMechanism(huge).mechanism).toBe('none');
  });
});
