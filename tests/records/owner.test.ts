import { execFileSync, spawn } from 'node:child_process';
import { once } from 'node:events';
import { readFileSync } from 'node:fs';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { isOwnerGone, type OwnerSighting, parseProcStat, settledState } from '../../src/records/owner.ts';
import type { Owner } from '../../src/records/record-types.ts';
import { ownProcess, type ProcReader, seeOwner } from '../../src/records/see-owner.ts';
import { describeWith } from '../lab/capabilities.ts';

const owner: Owner = { pid: 300, startTicks: 1000, bootId: 'boot-a', pidNamespace: 'pid:[1]' };
const alive: OwnerSighting = {
  bootId: 'boot-a',
  pidNamespace: 'pid:[1]',
  process: { state: 'S', startTicks: 1000 },
};

describe('whether the process behind a job is gone', () => {
  it.each<[string, Partial<OwnerSighting>, Partial<Owner>, boolean]>([
    ['the same process runs', {}, {}, false],
    ['no process has the number', { process: 'none' }, {}, true],
    ['the number was given to a later process', { process: { state: 'R', startTicks: 1001 } }, {}, true],
    ['it is dead and not yet collected', { process: { state: 'Z', startTicks: 1000 } }, {}, true],
    ['another boot, where the same number runs with the same start', { bootId: 'boot-b' }, {}, true],
    ['another boot, seen from another namespace', { bootId: 'boot-b', pidNamespace: 'pid:[2]' }, {}, true],
    ['seen from another pid namespace', { pidNamespace: 'pid:[2]', process: 'none' }, {}, false],
    ['/proc does not tell', { process: null }, {}, false],
    ['this boot is not known', { bootId: null, process: 'none' }, {}, false],
    ['the boot of the job is not known', { process: 'none' }, { bootId: null }, false],
    ['both boots are unknown', { bootId: null, process: 'none' }, { bootId: null }, false],
    ['the namespaces are unknown', { pidNamespace: null, process: 'none' }, { pidNamespace: null }, false],
    ['its start was not known', {}, { startTicks: null }, false],
  ])('%s', (_title, seen, of, expected) => {
    expect(isOwnerGone({ ...owner, ...of }, { ...alive, ...seen })).toBe(expected);
  });

  it('makes running interrupted and sealing unconfirmed, and nothing else of ended jobs', () => {
    expect(settledState('running', true)).toBe('interrupted');
    expect(settledState('sealing', true)).toBe('unconfirmed');
    for (const state of ['done', 'failed', 'cancelled', 'interrupted', 'unconfirmed'] as const) {
      expect(settledState(state, true)).toBe(state);
    }
    expect([settledState('running', false), settledState('sealing', false)]).toEqual(['running', 'sealing']);
  });
});

describe('/proc/PID/stat (proc(5))', () => {
  const tail = 'S 1 300 300 0 -1 4194560 1 0 0 0 1 2 0 0 20 0 1 0 777 1000 2';

  it('is read from the last parenthesis, whatever the command is called', () => {
    for (const name of ['node', 'a b', 'x) R 1 (', ')', '']) {
      expect(parseProcStat(`300 (${name}) ${tail}\n`)).toEqual({ state: 'S', startTicks: 777 });
    }
  });

  it('gives null for anything else', () => {
    for (const line of ['', '300', '300 (node) S 1 2', `300 node ${tail}`, '300 (node) 5 1 2']) {
      expect(parseProcStat(line)).toBeNull();
    }
    fc.assert(
      fc.property(fc.string(), (line) => {
        const stat = parseProcStat(line);
        return stat === null || Number.isSafeInteger(stat.startTicks);
      }),
    );
  });
});

const hidden = (files: Record<string, string>): ProcReader => ({
  readText: (path) => {
    const text = files[path];
    if (text === undefined) throw Object.assign(new Error('none'), { code: 'ENOENT' });
    return text;
  },
  readLink: () => 'pid:[1]',
});

describe('looking for an owner', () => {
  it('believes that a process is absent only where process 1 can be seen', () => {
    const boot = { '/proc/sys/kernel/random/boot_id': 'boot-a\n' };
    expect(seeOwner(owner, hidden(boot)).process).toBeNull();
    expect(seeOwner(owner, hidden({ ...boot, '/proc/1/stat': 'x' })).process).toBe('none');
    expect(isOwnerGone(owner, seeOwner(owner, hidden({ ...boot, '/proc/1/stat': 'x' })))).toBe(true);
  });

  it.runIf(process.platform === 'linux')(
    'sees this very process, and that an ended child is gone',
    async () => {
      expect(isOwnerGone(ownProcess(), seeOwner(ownProcess()))).toBe(false);
      const child = spawn('sleep', ['60'], { stdio: 'ignore' });
      const asOwner = ownProcess(child.pid);
      expect(isOwnerGone(asOwner, seeOwner(asOwner))).toBe(false);
      child.kill('SIGKILL');
      await once(child, 'exit');
      expect(isOwnerGone(asOwner, seeOwner(asOwner))).toBe(true);
      expect(asOwner.bootId).toBe(readFileSync('/proc/sys/kernel/random/boot_id', 'utf8').trim());
    },
  );
});

describeWith(['linux', 'program:ps'], 'the start time, held against ps', () => {
  it('lies where ps counts the seconds that the process has run', () => {
    const ticksPerSecond = Number(execFileSync('getconf', ['CLK_TCK'], { encoding: 'utf8' }));
    const ran = Number(
      execFileSync('ps', ['-o', 'etimes=', '-p', String(process.pid)], { encoding: 'utf8' }),
    );
    const upSeconds = Number(readFileSync('/proc/uptime', 'utf8').split(' ')[0]);
    const startSeconds = (ownProcess().startTicks ?? 0) / ticksPerSecond;
    expect(Math.abs(upSeconds - ran - startSeconds)).toBeLessThan(2);
  });
});
