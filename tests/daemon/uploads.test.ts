import { createHash } from 'node:crypto';
import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { uploadPath } from '../../src/daemon/contract/upload-place.ts';
import { type UploadLimits, Uploads, usualLimits } from '../../src/daemon/front/uploads.ts';
import { openUpload } from '../../src/daemon/station/jobs/open-upload.ts';

const caller = 'a'.repeat(64);
const other = 'b'.repeat(64);
const bytes = Buffer.from('an image, as far as anybody here knows');
const sha256 = createHash('sha256').update(bytes).digest('hex');
const code = (of: string) => expect.objectContaining({ code: of });

describe('images that are sent', () => {
  let folder: string;
  let nowMs: number;
  beforeEach(() => {
    folder = fs.mkdtempSync(join(tmpdir(), 'cardwright-uploads-'));
    nowMs = Date.now();
  });
  afterEach(() => fs.rmSync(folder, { recursive: true }));
  const open = (limits: Partial<UploadLimits> = {}) =>
    new Uploads(folder, { ...usualLimits, ...limits }, () => nowMs);
  const begin = (uploads: Uploads, who = caller) => uploads.begin(who, { sha256, sizeBytes: bytes.length });
  const path = (who = caller) => join(folder, uploadPath(who, sha256));

  it('go on where they stopped, in another process, too; and are there at once for whoever sent them', async () => {
    const first = open();
    expect(begin(first)).toMatchObject({ receivedBytes: 0, isComplete: false });
    await first.append(caller, sha256, 0, bytes.subarray(0, 7));
    const second = open();
    expect(begin(second)).toMatchObject({ receivedBytes: 7, isComplete: false });
    expect(await second.append(caller, sha256, 7, bytes.subarray(7))).toMatchObject({ isComplete: true });
    expect(fs.readFileSync(path()).equals(bytes)).toBe(true);
    expect(fs.statSync(path()).mode & 0o777).toBe(0o600);
    expect(begin(open())).toMatchObject({ receivedBytes: bytes.length, isComplete: true });
    expect(begin(open(), other)).toMatchObject({ receivedBytes: 0, isComplete: false });
  });

  it('are dropped where the whole has another digest', async () => {
    const uploads = open();
    begin(uploads);
    await expect(uploads.append(caller, sha256, 0, Buffer.alloc(bytes.length))).rejects.toEqual(
      code('daemon.upload-refused'),
    );
    expect(fs.readdirSync(join(folder, caller.slice(0, 32)))).toEqual([]);
    expect(begin(uploads)).toMatchObject({ receivedBytes: 0 });
  });

  it('take one piece at a time, each from the next byte on', async () => {
    const uploads = open();
    begin(uploads);
    const pieces = [uploads.append(caller, sha256, 0, bytes), uploads.append(caller, sha256, 0, bytes)];
    const ends = await Promise.allSettled(pieces);
    expect(ends.map(({ status }) => status).sort()).toEqual(['fulfilled', 'rejected']);
    await expect(uploads.append(caller, sha256, 0, bytes)).rejects.toEqual(code('daemon.no-such-upload'));
  });

  it('expire a day after they were last wanted', async () => {
    const uploads = open();
    begin(uploads);
    await uploads.append(caller, sha256, 0, bytes);
    nowMs += usualLimits.keptMs - 60_000;
    expect(begin(uploads)).toMatchObject({ isComplete: true });
    nowMs += usualLimits.keptMs - 60_000;
    uploads.dropExpired();
    expect(fs.existsSync(path())).toBe(true);
    nowMs += 120_000;
    uploads.dropExpired();
    expect(fs.readdirSync(folder)).toEqual([]);
  });

  it('are bounded: so many of one person, so large, and never the room that others need', () => {
    const digestOf = (at: number) => createHash('sha256').update(`${at}`).digest('hex');
    const uploads = open({ mostOfOneCaller: 2, mostBytes: 1000 });
    uploads.begin(caller, { sha256: digestOf(1), sizeBytes: 10 });
    uploads.begin(caller, { sha256: digestOf(2), sizeBytes: 10 });
    expect(() => uploads.begin(caller, { sha256: digestOf(3), sizeBytes: 10 })).toThrow(code('daemon.busy'));
    expect(() => uploads.begin(other, { sha256: digestOf(3), sizeBytes: 1001 })).toThrow(
      code('daemon.upload-refused'),
    );
    const full = open({ reserveBytes: Number.MAX_SAFE_INTEGER });
    expect(() => full.begin(other, { sha256: digestOf(4), sizeBytes: 10 })).toThrow(code('daemon.no-room'));
  });

  it('are listed and dropped by their sender alone', async () => {
    const uploads = open();
    begin(uploads);
    expect(uploads.list(other)).toEqual([]);
    expect(() => uploads.drop(other, sha256)).toThrow(code('daemon.no-such-upload'));
    expect(uploads.list(caller)).toMatchObject([{ sha256, sizeBytes: bytes.length, isComplete: false }]);
    uploads.drop(caller, sha256);
    expect(uploads.list(caller)).toEqual([]);
  });

  describe('are opened by the station', () => {
    const opened = () => openUpload(folder, caller, sha256);
    const lay = (make: (at: string) => void) => {
      fs.mkdirSync(join(folder, caller.slice(0, 32)), { recursive: true });
      make(path());
    };

    it('as the very file, whatever becomes of its name', () => {
      lay((at) => fs.writeFileSync(at, bytes));
      const upload = opened();
      fs.rmSync(path());
      fs.writeFileSync(path(), 'another one');
      expect(fs.readFileSync(upload.path).equals(bytes)).toBe(true);
      expect(upload.sizeBytes).toBe(bytes.length);
      upload.close();
    });

    it.each<[string, (at: string) => void]>([
      ['nothing', () => undefined],
      ['a link to a file', (at) => fs.symlinkSync('/etc/hostname', at)],
      ['a folder', (at) => fs.mkdirSync(at)],
      [
        'a file with a second name',
        (at) => {
          fs.writeFileSync(`${at}.part`, bytes);
          fs.linkSync(`${at}.part`, at);
        },
      ],
    ])('not where %s lies there', (_what, make) => {
      lay(make);
      expect(opened).toThrow(code('daemon.no-such-upload'));
    });

    // chown(2) takes root.
    it.skipIf(process.getuid?.() !== 0)('not where the file is not the front’s own', () => {
      lay((at) => fs.writeFileSync(at, bytes));
      fs.chownSync(path(), 61_000, 61_000);
      expect(opened).toThrow(code('daemon.no-such-upload'));
    });

    it('not where nothing can be sent', () => {
      expect(() => openUpload(null, caller, sha256)).toThrow(code('daemon.no-such-upload'));
    });
  });
});
