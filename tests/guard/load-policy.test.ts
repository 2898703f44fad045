import { describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { describeFinding } from '../../src/contract/finding.ts';
import { defaultPolicy } from '../../src/contract/policy.ts';
import { defaultPolicyPath, loadPolicy } from '../../src/guard/policy/load-policy.ts';
import { makeFiles } from './memory-files.ts';

const file = defaultPolicyPath;
const strict = 'maxSizeBytes: 64 GB\ntransports: [mmc-sd]\n';

async function caught(run: Promise<unknown>): Promise<CardwrightError> {
  try {
    await run;
  } catch (error) {
    if (error instanceof CardwrightError) return error;
    throw error;
  }
  throw new Error('nothing was thrown');
}

describe('the station’s policy', () => {
  it('is the built-in one, without a word, where there is no file', async () => {
    expect(await loadPolicy(null, makeFiles({}))).toEqual({ policy: defaultPolicy, findings: [] });
  });

  it('is read from its file when that is root’s alone', async () => {
    const { policy, findings } = await loadPolicy(null, makeFiles({ [file]: strict }));
    expect(findings).toEqual([]);
    expect(policy).toEqual({
      ...defaultPolicy,
      source: '/etc/cardwright/policy.yaml',
      maxSizeBytes: 64_000_000_000,
      transports: ['mmc-sd'],
    });
  });

  it('is handed on with every key that the file gives', async () => {
    const all = {
      maxSizeBytes: 1_000_000_000,
      transports: ['usb'],
      allowDevices: ['/dev/loop3', 'fe0100454d333247580712345678a200'],
      unmountBelow: ['/srv/cards'],
      imageFolders: ['/srv/images', '/srv/more'],
      bootModeIds: ['1d6b:0104'],
      atStop: 'finish',
      groups: { growers: 'write' },
    };
    const { policy } = await loadPolicy(null, makeFiles({ [file]: JSON.stringify(all) }));
    expect(policy).toEqual({ source: file, ...all });
  });

  it('is frozen through and through, built in or read', async () => {
    for (const files of [makeFiles({}), makeFiles({ [file]: strict })]) {
      const { policy } = await loadPolicy(null, files);
      for (const part of [policy, ...Object.values(policy)]) expect(Object.isFrozen(part)).toBe(true);
    }
  });

  it('may be of any mode that lets nobody else write, and its folders too', async () => {
    const numbers = { [file]: { mode: 0o600 }, '/etc/cardwright': { mode: 0o700 }, '/etc': { mode: 0o1755 } };
    const { policy } = await loadPolicy(null, makeFiles({ [file]: strict }, numbers));
    expect(policy.source).toBe(file);
  });

  const distrusted: [string, Record<string, { uid?: number; mode?: number }>, string][] = [
    [
      'the file belongs to somebody else',
      { [file]: { uid: 1000 } },
      `${file} belongs to user 1000, not to root`,
    ],
    ['its group may write', { [file]: { mode: 0o664 } }, `${file} is writable by others (mode 0664)`],
    ['others may write', { [file]: { mode: 0o646 } }, `${file} is writable by others (mode 0646)`],
    [
      'a sticky bit is no excuse for a file',
      { [file]: { mode: 0o1666 } },
      `${file} is writable by others (mode 1666)`,
    ],
    [
      'its folder belongs to somebody else',
      { '/etc/cardwright': { uid: 7 } },
      '/etc/cardwright belongs to user 7',
    ],
    ['its folder’s group may write', { '/etc/cardwright': { mode: 0o775 } }, '/etc/cardwright is writable'],
    ['its folder is sticky but open', { '/etc/cardwright': { mode: 0o1777 } }, '/etc/cardwright is writable'],
    ['a folder further up is open', { '/etc': { mode: 0o757 } }, '/etc is writable by others (mode 0757)'],
    ['a folder further up is another’s', { '/etc': { uid: 1 } }, '/etc belongs to user 1'],
    ['the root folder is open', { '/': { mode: 0o777 } }, '/ is writable by others (mode 0777)'],
  ];
  it.each(distrusted)('is ignored, loudly, where %s', async (_title, numbers, why) => {
    for (const given of [null, file]) {
      const { policy, findings } = await loadPolicy(given, makeFiles({ [file]: strict }, numbers));
      expect(policy).toEqual(defaultPolicy);
      expect(findings.map((f) => [f.code, f.severity])).toEqual([['guard.policy-ignored', 'note']]);
      expect(describeFinding(findings[0]!)).toContain('IGNORED');
      expect(describeFinding(findings[0]!)).toContain(why);
    }
  });

  it('is trusted below an open folder further up that is sticky', async () => {
    const given = '/tmp/trial/policy.yaml';
    const files = makeFiles({ [given]: strict }, { '/tmp': { mode: 0o1777 } });
    expect((await loadPolicy(given, files)).policy.source).toBe(given);
  });

  it('names everything that is wrong with its place', async () => {
    const numbers = { [file]: { uid: 5, mode: 0o666 }, '/etc': { mode: 0o777 } };
    const { findings } = await loadPolicy(null, makeFiles({ [file]: strict }, numbers));
    expect(String(findings[0]?.facts.why).split('; ')).toHaveLength(3);
  });

  it('is not read through a symbolic link, of the file or of a folder', async () => {
    const files = makeFiles({ '/srv/real/policy.yaml': strict });
    files.volume.symlinkSync('/srv/real/policy.yaml', '/srv/policy.yaml');
    files.volume.symlinkSync('/srv/real', '/srv/folder');
    const ofFile = await loadPolicy('/srv/policy.yaml', files);
    expect(ofFile.findings[0]?.facts.why).toBe('/srv/policy.yaml is a symbolic link');
    const ofFolder = await loadPolicy('/srv/folder/policy.yaml', files);
    expect(ofFolder.findings[0]?.facts.why).toBe('/srv/folder is a symbolic link, not a folder');
    expect(ofFolder.policy).toEqual(defaultPolicy);
  });

  it('is no folder', async () => {
    const { findings } = await loadPolicy('/etc', makeFiles({ [file]: strict }));
    expect(findings[0]?.facts.why).toBe('/etc is not a regular file');
  });
});

describe('what ends a command', () => {
  it('a policy given with --policy that is not there', async () => {
    const error = await caught(loadPolicy('/srv/none.yaml', makeFiles({})));
    expect(error).toMatchObject({
      code: 'guard.policy-missing',
      exitStatus: 2,
      facts: { path: '/srv/none.yaml' },
    });
  });

  it('a policy with mistakes, in either place', async () => {
    for (const given of [null, file]) {
      const error = await caught(loadPolicy(given, makeFiles({ [file]: 'maxSize: 1\n' })));
      expect(error).toMatchObject({ code: 'guard.policy-mistakes', exitStatus: 2 });
    }
  });

  it('a policy that cannot be read, in either place', async () => {
    for (const given of [null, file]) {
      const error = await caught(loadPolicy(given, makeFiles({ [file]: strict }, {}, { [file]: 'EACCES' })));
      expect(error).toMatchObject({ code: 'guard.policy-unreadable', exitStatus: 2 });
      expect(error.message).toContain('EACCES');
      // The system's own words, not the name of an error class before them.
      expect(error.facts.why).toMatch(/^EACCES/);
    }
  });

  it('a file system that fails in a way of its own', async () => {
    const files = { ...makeFiles({ [file]: strict }), lstat: () => Promise.reject('no answer') };
    expect((await caught(loadPolicy(null, files))).message).toContain('no answer');
  });
});
