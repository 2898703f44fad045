/** The live reader against what Debian's own tools say of the same things. */
import { mkdtemp, rm, symlink, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { execa } from 'execa';
import fc from 'fast-check';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { createLiveReader, majorMinorOf } from '../../src/devices/linux/live-reader.ts';
import { describeWith } from '../lab/capabilities.ts';
import { withLoopDisk } from '../lab/loop-disk.ts';

const reader = createLiveReader();
let folder = '';
const place = (name: string) => join(folder, name);

beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), 'cardwright-reader-'));
  await writeFile(place('file'), 'ten bytes.', { mode: 0o640 });
  await symlink('file', place('link'));
  await execa('mkfifo', [place('pipe')]);
});

afterAll(() => rm(folder, { recursive: true, force: true }));

describe('the live reader', () => {
  it('reads texts, folders and links, and says why where it cannot', async () => {
    expect(await reader.readText(place('file'))).toEqual({ ok: true, value: 'ten bytes.' });
    expect(await reader.list(folder)).toEqual({ ok: true, value: ['file', 'link', 'pipe'] });
    expect(await reader.readLink(place('link'))).toEqual({ ok: true, value: 'file' });
    expect(await reader.realPath(place('link'))).toEqual({ ok: true, value: place('file') });
    for (const why of [
      await reader.readText(place('none')),
      await reader.list(place('none')),
      await reader.readLink(place('none')),
      await reader.realPath(place('none')),
      await reader.stat(place('none')),
      await reader.readBytes(place('none'), 0, 1),
    ]) {
      expect(why).toEqual({ ok: false, why: 'ENOENT' });
    }
    expect(await reader.readText(folder)).toEqual({ ok: false, why: 'EISDIR' });
    expect(await reader.readLink(place('file'))).toEqual({ ok: false, why: 'EINVAL' });
  });

  it.each(['file', 'link', 'pipe', '.'])('gives the numbers that stat(1) gives: %s', async (name) => {
    const { stdout } = await execa('stat', ['--dereference', '--format', '%Hd:%Ld %u %g %a %s', place(name)]);
    const answer = await reader.stat(place(name));
    if (!answer.ok) throw new Error(answer.why);
    const { dev, uid, gid, mode, sizeBytes } = answer.value;
    expect(`${dev} ${uid} ${gid} ${mode.toString(8)} ${sizeBytes}`).toBe(stdout);
  });

  it('takes a device number apart as stat(1) does', async () => {
    const { stdout } = await execa('stat', ['--format', '%Hr:%Lr', '/dev/null']);
    expect(await reader.stat('/dev/null')).toMatchObject({
      ok: true,
      value: { kind: 'character', rdev: stdout },
    });
  });

  it('undoes glibc makedev for numbers of any size (bits/sysmacros.h)', () => {
    const u32 = fc.integer({ min: 0, max: 2 ** 32 - 1 }).map(BigInt);
    fc.assert(
      fc.property(u32, u32, (major, minor) => {
        const dev =
          ((major & 0xfffn) << 8n) |
          ((major & 0xfffff000n) << 32n) |
          (minor & 0xffn) |
          ((minor & 0xffffff00n) << 12n);
        expect(majorMinorOf(dev)).toBe(`${major}:${minor}`);
      }),
    );
  });

  it('reads bytes from any place, short only at the end', async () => {
    const read = async (offset: number, length: number) => {
      const answer = await reader.readBytes(place('file'), offset, length);
      return answer.ok ? Buffer.from(answer.value).toString() : answer.why;
    };
    expect(await read(4, 5)).toBe('bytes');
    expect(await read(8, 100)).toBe('s.');
    expect(await read(100, 5)).toBe('');
  });

  it('does not wait for a pipe, and reads no folder as bytes', async () => {
    expect(await reader.readBytes(place('pipe'), 0, 1)).toEqual({
      ok: false,
      why: 'neither a file nor a disk (other)',
    });
    expect(await reader.readBytes(folder, 0, 1)).toMatchObject({ ok: false });
  });

  it('gives up on what does not answer', async () => {
    const hasty = createLiveReader({ patienceMs: 300 });
    expect(await hasty.readText(place('pipe'))).toEqual({ ok: false, why: 'no answer within 0.3 seconds' });
    // The call itself still waits for a writer: let it go.
    await writeFile(place('pipe'), '');
  });

  it('runs programs in the C locale without a shell, and gives status and output', async () => {
    expect(await reader.run('printf', ['%s', '$HOME; *'])).toEqual({
      ok: true,
      value: { status: 0, stdout: '$HOME; *' },
    });
    const env = await reader.run('env', []);
    expect(env.ok && env.value.stdout.split('\n')).toEqual(expect.arrayContaining(['LC_ALL=C']));
    expect(await reader.run('false', [])).toMatchObject({ ok: true, value: { status: 1 } });
  });

  it('says why a program gave nothing', async () => {
    expect(await reader.run('no-such-program', [])).toEqual({ ok: false, why: 'missing' });
    expect(await reader.run('sh', ['-c', 'kill -TERM $$'])).toEqual({ ok: false, why: 'SIGTERM' });
    const hasty = createLiveReader({ patienceMs: 300 });
    expect(await hasty.run('sleep', ['20'])).toEqual({ ok: false, why: 'no end within 0.3 seconds' });
  });

  it('annotates from drivelist, or says why not', async () => {
    const drives = await reader.drivelist();
    if (drives.ok) expect(Array.isArray(drives.value)).toBe(true);
    else expect(drives.why).not.toBe('');
  });
});

describeWith(['loop', 'program:dd'], 'the live reader on a real device', () => {
  it('reads the bytes that dd reads, at odd places and up to the end', async () => {
    const sizeBytes = 2 << 20;
    await withLoopDisk({ sizeBytes, backing: 'file', sectorBytes: 4096 }, async (disk) => {
      for (const [offset, length] of [
        [0, 512],
        [513, 1000],
        [sizeBytes - 7, 100],
      ] as const) {
        const words = [
          `if=${disk.node}`,
          'iflag=skip_bytes,count_bytes',
          `skip=${offset}`,
          `count=${length}`,
          'status=none',
        ];
        const { stdout } = await execa('dd', words, { encoding: 'buffer' });
        const answer = await reader.readBytes(disk.node, offset, length);
        expect(answer.ok && Buffer.from(answer.value).equals(Buffer.from(stdout))).toBe(true);
      }
      expect(await reader.stat(disk.node)).toMatchObject({
        ok: true,
        value: { kind: 'block', rdev: disk.majorMinor },
      });
    });
  });
});
