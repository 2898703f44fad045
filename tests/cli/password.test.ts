import { execFileSync, spawnSync } from 'node:child_process';
import { describe, expect, it } from 'vitest';
import { launcher } from '../e2e/run-tool.ts';
import { describeWith } from '../lab/capabilities.ts';

const phrase = 'correct horse';
const slow = { timeout: 60_000 };

const run = (args: readonly string[], input: string) =>
  spawnSync(process.execPath, [launcher, 'password', ...args], { input, encoding: 'utf8' });

/** The same phrase hashed by openssl with the salt and rounds of a hash. */
function asOpenssl(hash: string): string {
  const [, , rounds, salt] = hash.split('$');
  const args = ['passwd', '-6', '-salt', `${rounds}$${salt}`, '-stdin'];
  return execFileSync('openssl', args, { input: `${phrase}\n`, encoding: 'utf8' }).trim();
}

describeWith(['program:openssl'], 'cardwright password, from a pipe', { timeoutMs: 60_000 }, () => {
  it.each([phrase, `${phrase}\n`, `${phrase}\r\n`])('makes of %j what openssl makes', (input) => {
    const { status, stdout, stderr } = run([], input);
    expect([status, stderr]).toEqual([0, '']);
    expect(stdout).toMatch(/^\$6\$rounds=100000\$[./0-9A-Za-z]{16}\$[./0-9A-Za-z]{86}\n$/);
    expect(stdout.trim()).toBe(asOpenssl(stdout.trim()));
  });

  it('salts each anew', () => {
    expect(run([], phrase).stdout).not.toBe(run([], phrase).stdout);
  });

  it('reads from a descriptor of the caller', () => {
    const shell = `printf %s '${phrase}' | { exec 7<&0 </dev/null; exec "$0" "$1" password --from-fd 7; }`;
    const stdout = execFileSync('bash', ['-c', shell, process.execPath, launcher], { encoding: 'utf8' });
    expect(stdout.trim()).toBe(asOpenssl(stdout.trim()));
  });
});

describe('cardwright password', () => {
  it('gives the key of a wireless network', slow, () => {
    // IEEE 802.11-2020, annex J.4.2.
    const key = '0dc0d6eb90555ed6419756b9a15ec3e3209b63df707dd508d14581f8982721af';
    expect(run(['--wifi', 'ThisIsASSID'], 'ThisIsAPassword').stdout).toBe(`${key}\n`);
  });

  it.each([
    [[phrase], '', 'usage.phrase-on-command-line'],
    [[], '', 'usage.bad-phrase'],
    [[], '\n', 'usage.bad-phrase'],
    [[], `${phrase}\n${phrase}\n`, 'usage.bad-phrase'],
    [[], `${phrase}\0`, 'usage.bad-phrase'],
    [[], phrase.repeat(50), 'usage.bad-phrase'],
    [[], phrase.repeat(500), 'usage.bad-phrase'],
    [['--wifi', 'orchard'], 'seven77', 'usage.bad-phrase'],
    [['--wifi', 'x'.repeat(33)], phrase, 'usage.bad-value'],
    [['--from-fd', '99'], '', 'usage.file-unreadable'],
    [['--from-fd', 'x'], '', 'usage.bad-value'],
  ])('refuses %j with %j and repeats nothing of it', slow, (args, input, code) => {
    const { status, stdout, stderr } = run(args, input);
    expect([status, stdout]).toEqual([2, '']);
    expect(stderr).toContain(code);
    expect(stderr).not.toContain(phrase);
    expect(stderr).not.toContain('seven77');
  });
});

/**
 * Types at the tool in a terminal of its own (pty(7)), each text when the prompt before it has shown; prints the exit
 * status, then all that the terminal showed.
 */
const typist = `
import json, os, pty, sys
texts, argv = json.loads(sys.argv[1]), json.loads(sys.argv[2])
child, terminal = pty.fork()
if child == 0:
    os.execv(argv[0], argv)
shown = b''
def read_more():
    global shown
    try:
        part = os.read(terminal, 4096)
    except OSError:
        return False
    shown += part
    return part != b''
for prompt, keys in texts:
    while prompt.encode() not in shown and read_more():
        pass
    os.write(terminal, keys.encode())
while read_more():
    pass
print(json.dumps({'status': os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), 'shown': shown.decode()}))
`;

function typeAt(...texts: [prompt: string, keys: string][]): { status: number; shown: string } {
  const argv = JSON.stringify([process.execPath, launcher, 'password']);
  const out = execFileSync('python3', ['-c', typist, JSON.stringify(texts), argv], {
    encoding: 'utf8',
    env: { ...process.env, NO_COLOR: '1' },
  });
  return JSON.parse(out) as { status: number; shown: string };
}

describeWith(
  ['program:python3', 'program:openssl'],
  'cardwright password, at a terminal',
  { timeoutMs: 60_000 },
  () => {
    const hashIn = (shown: string) => /\$6\$\S+/.exec(shown)?.[0] ?? '';

    it('asks twice and shows nothing of what is typed', () => {
      const { status, shown } = typeAt(['phrase: ', `${phrase}\r`], ['again:  ', `${phrase}\r`]);
      expect(status).toBe(0);
      expect(shown.replaceAll('\r', '')).toBe(`phrase: \nagain:  \n${hashIn(shown)}\n`);
      expect(hashIn(shown)).toBe(asOpenssl(hashIn(shown)));
    });

    it('knows the keys that take back: one character, and the line', () => {
      // ñ is two bytes of UTF-8, and one key takes them back.
      const { shown } = typeAt(
        ['phrase: ', `nonsense\u0015${phrase}ñ\u007f\r`],
        ['again:  ', `x\u0008${phrase}\r`],
      );
      expect(hashIn(shown)).toBe(asOpenssl(hashIn(shown)));
    });

    it('takes both at once, as when they are pasted', () => {
      const { shown } = typeAt(['phrase: ', `${phrase}\r${phrase}\r`]);
      expect(hashIn(shown)).toBe(asOpenssl(hashIn(shown)));
      expect(shown).not.toContain(phrase);
    });

    it('makes nothing of two phrases', () => {
      const { status, shown } = typeAt(['phrase: ', `${phrase}\r`], ['again:  ', 'correct house\r']);
      expect([status, hashIn(shown)]).toEqual([2, '']);
      expect(shown).toContain('usage.phrases-differ');
    });

    it('stops at Ctrl-C', () => {
      const { status, shown } = typeAt(['phrase: ', `${phrase}\u0003`]);
      expect(status).toBe(130);
      expect(shown).not.toContain(phrase);
    });
  },
);
