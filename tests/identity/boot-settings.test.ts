import { describe, expect, it } from 'vitest';
import { applyBootSettings, editFirmwareSettings, editKernelLine } from '../../src/identity/boot-settings.ts';
import { growerHash, makeSet, markers, orchardNode, orchardPlan, textOf } from './orchard.ts';

const line = 'console=serial0,115200 console=tty1 root=PARTUUID=1-02 quiet foo="a  b" splash';
const edit = (add: string[], remove: string[], text = `${line}\n`) => editKernelLine(text, { add, remove });

describe('the kernel line', () => {
  it.each<[string, string[], string[], string]>([
    ['gets what is not there', ['cgroup_enable=memory'], [], `${line} cgroup_enable=memory\n`],
    ['gets nothing twice', ['quiet', 'console=tty1'], [], `${line}\n`],
    ['gets another value beside the first', ['console=ttyS1'], [], `${line} console=ttyS1\n`],
    ['loses a whole word', [], ['quiet', 'spla', 'console'], `${line.replace('quiet ', '')}\n`],
    ['loses any value', [], ['console='], 'root=PARTUUID=1-02 quiet foo="a  b" splash\n'],
    [
      'keeps a value of those that go',
      ['console=tty1'],
      ['console='],
      `${line.replace('console=serial0,115200 ', '')}\n`,
    ],
    [
      'exchanges',
      ['console=ttyS1'],
      ['console='],
      'root=PARTUUID=1-02 quiet foo="a  b" splash console=ttyS1\n',
    ],
  ])('%s', (_, add, remove, text) => {
    expect(edit(add, remove).text).toBe(text);
  });

  it('is the same when it is edited again', () => {
    const once = edit(['a=1', 'b'], ['quiet', 'console=']).text;
    expect(edit(['a=1', 'b'], ['quiet', 'console='], once)).toEqual({ text: once, removed: [] });
  });

  it('keeps what follows, and what is for the first program', () => {
    expect(edit(['b'], ['a'], 'a c -- a d\nmore\n').text).toBe('c b -- a d\nmore\n');
    expect(edit(['b'], [], 'a').text).toBe('a b\n');
    expect(edit([], [], 'a\r\n').text).toBe('a\r\n');
  });
});

const settings =
  '# the maker’s\ndtparam=audio=on\n\n[board9]\ngpu_mem=32\n\n[all]\nenable_uart=1\n[none]\n#gpu_mem=16\n';
const note = 'cardwright: orchard-01 of orchard';

describe('the firmware’s settings', () => {
  it('come last, for every machine, below a line that says whose they are', () => {
    expect(editFirmwareSettings(settings, ['gpu_mem=16', 'dtparam=watchdog=on'], note)).toBe(
      `${settings}\n# ${note}\n[all]\ngpu_mem=16\ndtparam=watchdog=on\n`,
    );
  });

  it('are not put in where they hold already', () => {
    expect(editFirmwareSettings(settings, ['dtparam=audio=on', 'enable_uart=1'], note)).toBe(settings);
    const once = editFirmwareSettings(settings, ['gpu_mem=32'], note);
    expect(once).toContain('[all]\ngpu_mem=32\n');
    expect(editFirmwareSettings(once, ['gpu_mem=32'], note)).toBe(once);
  });

  it('keep the file’s line ends, and mend a last line without one', () => {
    expect(editFirmwareSettings('a=1\r\nb=2', ['c=3'], note)).toBe(
      `a=1\r\nb=2\r\n\r\n# ${note}\r\n[all]\r\nc=3\r\n`,
    );
  });
});

describe('boot settings of a plan', () => {
  const none = { kernelLine: { add: [], remove: [] }, firmware: [] };
  const both = { kernelLine: { add: ['b'], remove: ['quiet'] }, firmware: ['gpu_mem=16'] };

  it('change the files that they are in', () => {
    const found = applyBootSettings(both, { cmdline: 'a quiet\n', firmware: '' }, note);
    expect(found).toEqual({
      changed: { cmdline: 'a b\n', firmware: `\n# ${note}\n[all]\ngpu_mem=16\n` },
      replaced: ['cmdline.txt: quiet'],
      findings: [],
    });
  });

  it('change nothing where there are none, whatever the image has', () => {
    const nothing = { changed: {}, replaced: [], findings: [] };
    expect(applyBootSettings(none, { cmdline: 'a\n', firmware: 'b\n' }, note)).toEqual(nothing);
    expect(applyBootSettings(none, { cmdline: null, firmware: null }, note)).toEqual(nothing);
  });

  it('are refused for an image without such files', () => {
    const found = applyBootSettings(both, { cmdline: null, firmware: null }, note);
    expect(found.findings.map(({ code, severity, facts }) => [code, severity, facts.file])).toEqual([
      ['identity.no-settings-file', 'refuse', 'cmdline.txt'],
      ['identity.no-settings-file', 'refuse', 'config.txt'],
    ]);
  });

  it('are refused where the kernel would cut its line off', () => {
    const found = applyBootSettings(
      { ...none, kernelLine: { add: ['b'.repeat(47)], remove: [] } },
      { cmdline: `${'a'.repeat(2000)}\n`, firmware: null },
      note,
    );
    expect(found.findings).toMatchObject([
      { code: 'identity.kernel-line-too-long', facts: { sizeBytes: 2048, mostBytes: 2047 } },
    ]);
  });
});

describe('a node with boot settings', () => {
  const node = orchardNode({
    boot: { kernelLine: { add: ['cgroup_enable=memory'], remove: ['quiet'] }, firmware: ['gpu_mem=16'] },
  });
  const existing = {
    userData: null,
    metaData: null,
    networkConfig: null,
    cmdline: 'a quiet\n',
    firmware: 'b=1\n',
  };

  it('has them beside its NoCloud files', () => {
    const set = makeSet({ node, existing });
    expect(textOf(set, 'cmdline.txt')).toBe('a cgroup_enable=memory\n');
    expect(textOf(set, 'config.txt')).toBe('b=1\n\n# cardwright: orchard-01 of orchard\n[all]\ngpu_mem=16\n');
    expect(set.replaced).toContain('cmdline.txt: quiet');
  });

  it('has them on the kernel line that carries its name', () => {
    const plan = orchardPlan({ authorizedKeys: [], passwordHash: growerHash });
    const set = makeSet({ node, plan, existing, mechanism: markers });
    expect(textOf(set, 'cmdline.txt')).toBe('a systemd.hostname=orchard-01 cgroup_enable=memory\n');
    expect(set.files.filter(({ path }) => path === 'cmdline.txt')).toHaveLength(1);
  });

  it('is refused where the image has no such files, with no file made', () => {
    const set = makeSet({ node });
    expect(set.files).toEqual([]);
    expect(set.findings.map(({ code }) => code)).toContain('identity.no-settings-file');
  });
});
