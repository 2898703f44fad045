import { execFileSync } from 'node:child_process';
import {
  chmodSync,
  chownSync,
  existsSync,
  linkSync,
  mkdirSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  readlinkSync,
  rmSync,
  statSync,
  symlinkSync,
  writeFileSync,
} from 'node:fs';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { loadStationKey } from '../../src/guard/approval/station-key.ts';

/** Null where the descriptor is closed by now, as that of the listing itself. */
function readlinkOrNull(link: string): string | null {
  try {
    return readlinkSync(link);
  } catch {
    return null;
  }
}

const isRoot = process.geteuid?.() === 0;

describe('the station’s key', () => {
  let base = '';
  let folder = '';
  let file = '';

  beforeEach(() => {
    base = mkdtempSync(path.join(tmpdir(), 'orchard-key-'));
    folder = path.join(base, 'state', 'station');
    file = path.join(folder, 'approval.key');
  });
  afterEach(() => rmSync(base, { recursive: true, force: true }));

  function putKey(content = new Uint8Array(32).fill(7), mode = 0o600): void {
    mkdirSync(folder, { recursive: true });
    writeFileSync(file, content, { mode });
    chmodSync(file, mode);
  }

  async function expectUnusable(why: string | RegExp): Promise<void> {
    await expect(loadStationKey(folder)).rejects.toMatchObject({
      code: 'guard.station-key-unusable',
      exitStatus: 9,
      message: expect.stringMatching(why),
    });
  }

  it('is made once, for us alone, and then stays the same', async () => {
    const key = await loadStationKey(folder);
    expect(key).toHaveLength(32);
    expect(new Set(key).size).toBeGreaterThan(8);
    expect(statSync(file).mode & 0o7777).toBe(0o600);
    expect(statSync(folder).mode & 0o7777).toBe(0o700);
    expect(await loadStationKey(folder)).toEqual(key);
    expect(new Uint8Array(readFileSync(file))).toEqual(key);
    expect(readdirSync(folder)).toEqual(['approval.key']);
  });

  it.skipIf(!existsSync('/proc/self/fd'))('leaves no file open (told by /proc on Linux only)', async () => {
    const openFiles = () =>
      readdirSync('/proc/self/fd')
        .map((fd) => readlinkOrNull(`/proc/self/fd/${fd}`))
        .filter((target) => target?.startsWith(base));
    await loadStationKey(folder);
    await loadStationKey(folder);
    expect(openFiles()).toEqual([]);
    putKey(new Uint8Array(31));
    await expectUnusable('31 bytes');
    expect(openFiles()).toEqual([]);
  });

  it('differs from station to station', async () => {
    expect(await loadStationKey(folder)).not.toEqual(await loadStationKey(path.join(base, 'other')));
  });

  it('is one key for all who ask at once', async () => {
    const keys = await Promise.all(Array.from({ length: 16 }, () => loadStationKey(folder)));
    expect(new Set(keys.map((key) => Buffer.from(key).toString('hex'))).size).toBe(1);
    expect(readdirSync(folder)).toEqual(['approval.key']);
  });

  it('is that of whoever was faster, and no draft stays behind', async () => {
    const theirs = new Uint8Array(32).fill(7);
    const key = await loadStationKey(folder, (size) => {
      putKey(theirs);
      return new Uint8Array(size).fill(8);
    });
    expect(key).toEqual(theirs);
    expect(readdirSync(folder)).toEqual(['approval.key']);
  });

  it.each([0o644, 0o640, 0o604, 0o620, 0o602, 0o601])('is refused with mode %o', async (mode) => {
    putKey(undefined, mode);
    await expectUnusable('others can read it');
  });

  it.each([0, 31, 33])('is refused with %i bytes', async (size) => {
    putKey(new Uint8Array(size));
    await expectUnusable(`it has ${size} bytes instead of 32`);
  });

  it.skipIf(!isRoot)('is refused when it is somebody else’s (needs root to arrange)', async () => {
    putKey();
    chownSync(file, 65_534, 65_534);
    await expectUnusable('it belongs to user 65534');
  });

  it('is refused behind a symbolic link, and when a link takes its place meanwhile', async () => {
    putKey();
    linkSync(file, path.join(base, 'elsewhere'));
    rmSync(file);
    symlinkSync(path.join(base, 'elsewhere'), file);
    await expectUnusable('it is a symbolic link');
    rmSync(file);
    const hijacked = loadStationKey(folder, (size) => {
      symlinkSync(path.join(base, 'elsewhere'), file);
      return new Uint8Array(size);
    });
    await expect(hijacked).rejects.toMatchObject({ code: 'guard.station-key-unusable' });
    expect(readdirSync(folder)).toEqual(['approval.key']);
  });

  it('is refused when it is a folder or a pipe, without waiting for the pipe', async () => {
    mkdirSync(file, { recursive: true });
    await expectUnusable('it is not a regular file');
    rmSync(file, { recursive: true });
    execFileSync('mkfifo', ['-m', '600', file]);
    await expectUnusable('it is not a regular file');
  });

  it('is refused where its folder is a file', async () => {
    writeFileSync(path.join(base, 'state'), 'a file in the way');
    await expectUnusable(/it cannot be opened \(ENOTDIR\)/);
  });

  it('cannot be made when writing fails half-way, and leaves nothing behind', async () => {
    const failing = loadStationKey(folder, () => {
      throw Object.assign(new Error('no entropy'), { code: 'EIO' });
    });
    await expect(failing).rejects.toMatchObject({
      message: expect.stringMatching(/it cannot be made \(EIO\)/),
    });
    expect(readdirSync(folder)).toEqual([]);
  });

  it('cannot be made when its folder vanishes meanwhile', async () => {
    const vanishing = loadStationKey(folder, (size) => {
      rmSync(folder, { recursive: true });
      return new Uint8Array(size);
    });
    await expect(vanishing).rejects.toMatchObject({
      message: expect.stringMatching(/cannot be made \(ENOENT\)/),
    });
  });

  it('cannot be made when its draft is taken away before it gets its name', async () => {
    // Content that arrives piece by piece lets the test act between opening the draft and linking it.
    async function* slowly() {
      rmSync(path.join(folder, readdirSync(folder)[0]!));
      yield new Uint8Array(32);
    }
    const robbed = loadStationKey(folder, () => slowly() as unknown as Uint8Array);
    await expect(robbed).rejects.toMatchObject({
      message: expect.stringMatching(/it cannot be made \(ENOENT\)/),
    });
    expect(readdirSync(folder)).toEqual([]);
  });

  it.skipIf(!isRoot)('cannot be made on a full file system (needs root to mount)', async () => {
    mkdirSync(folder, { recursive: true });
    execFileSync('mount', ['-t', 'tmpfs', '-o', 'nr_inodes=1', 'orchard-key', folder]);
    try {
      await expectUnusable(/it cannot be made \(ENOSPC\)/);
    } finally {
      execFileSync('umount', [folder]);
    }
  });
});
