import type { Answer, SystemReader } from '../../src/contract/system-reader.ts';

const ordinaryPoints = [
  '/',
  '/proc',
  '/sys',
  '/dev',
  '/dev/pts',
  '/dev/shm',
  '/run',
  '/tmp',
  '/sys/fs/cgroup',
];

function keepLines<T extends { ok: boolean }>(
  answer: Answer<string> & T,
  keep: (line: string) => boolean,
): Answer<string> {
  if (!answer.ok) return answer;
  return {
    ok: true,
    value: answer.value
      .split('\n')
      .filter((line) => line === '' || keep(line))
      .join('\n'),
  };
}

/**
 * The machine without the loop devices, mounts and swaps of whoever else works on it: loops other than `loops` and
 * mounts outside `folder` that no ordinary machine has are left out. Everything that is asked is still real.
 */
export function focusReader(inner: SystemReader, folder: string, loops: readonly string[]): SystemReader {
  const isOurs = (name: string): boolean => !/^loop\d+$/.test(name) || loops.includes(name);
  return {
    ...inner,
    async list(path) {
      const answer = await inner.list(path);
      if (!answer.ok || path !== '/sys/block') return answer;
      return { ok: true, value: answer.value.filter(isOurs) };
    },
    async readText(path) {
      const answer = await inner.readText(path);
      if (/^\/proc\/[^/]+\/mountinfo$/.test(path)) {
        return keepLines(answer, (line) => {
          const point = line.split(' ')[4] ?? '';
          return ordinaryPoints.includes(point) || point.startsWith(folder);
        });
      }
      if (path !== '/proc/swaps') return answer;
      return keepLines(answer, (line) => {
        const loop = line.match(/^\/dev\/(loop\d+)/)?.[1];
        return (
          /^Filename/.test(line) || line.startsWith(folder) || (loop !== undefined && loops.includes(loop))
        );
      });
    },
    async run(program, args) {
      const answer = await inner.run(program, args);
      if (!answer.ok || program !== 'losetup') return answer;
      const stdout = keepLines({ ok: true, value: answer.value.stdout }, (line) =>
        loops.some((name) => line.startsWith(`/dev/${name} `)),
      );
      return { ok: true, value: { ...answer.value, stdout: stdout.ok ? stdout.value : '' } };
    },
  };
}
