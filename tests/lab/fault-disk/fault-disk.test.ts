/**
 * Every way of misbehaving, shown through the device with direct I/O and beside it on the medium. What a fault must
 * look like from outside: the fault matrix of the design and, for sizes and orders, what dd and sysfs report.
 */
import { readFileSync } from 'node:fs';
import { setTimeout as sleep } from 'node:timers/promises';
import { execa } from 'execa';
import { describe, expect, it } from 'vitest';
import { describeWith } from '../capabilities.ts';
import { readDirect, writeDirect } from '../direct-io.ts';
import { withLoopDisk } from '../loop-disk.ts';
import { oldContent } from '../medium.ts';
import { cardPace, type Fault, seededOffset } from './fault.ts';
import { type FaultDisk, type FaultDiskOptions, withFaultDisk } from './fault-disk.ts';

const MiB = 1 << 20;
const sizeBytes = 8 * MiB;
/** fresh bytes, nowhere the same as the old content */
const fresh = (offset: number, length: number) =>
  Buffer.from(oldContent(offset, length).map((byte) => byte ^ 0xff));
const eio = { code: 'EIO' };
/** what a node without its server answers, by how far the request got */
const gone = { code: expect.stringMatching(/^(EIO|EINVAL)$/) };

const withFaults = <T>(
  faults: Fault[],
  body: (disk: FaultDisk) => Promise<T>,
  more: Partial<FaultDiskOptions> = {},
) => withFaultDisk({ sizeBytes, faults, ...more }, body);

/** Offsets at which what the device reads differs from `expected`: [first, count]; null when nothing does. */
async function differences(disk: FaultDisk, expected: Buffer, offset = 0) {
  const found = await readDirect(disk.node, offset, expected.length);
  const at = [...found.keys()].filter((index) => found[index] !== expected[index]);
  return at.length === 0 ? null : { first: offset + (at[0] ?? 0), count: at.length };
}

async function timed(action: () => Promise<unknown>): Promise<number> {
  const start = performance.now();
  await action();
  return performance.now() - start;
}

describeWith(['fault-disk'], 'a misbehaving disk', () => {
  it('is an honest card without faults, with direct I/O, and counts every byte', async () => {
    await withFaults([], async (disk) => {
      expect(readFileSync(`/sys/block/${disk.name}/loop/dio`, 'utf8').trim()).toBe('1');
      disk.clearRequests();
      await execa('dd', [
        'if=/dev/zero',
        `of=${disk.node}`,
        'bs=1M',
        'count=2',
        'oflag=direct',
        'conv=fsync',
      ]);
      await execa('dd', [`if=${disk.node}`, 'of=/dev/null', 'bs=1M', 'count=3', 'iflag=direct']);
      const { read, write, flush } = disk.requests();
      expect(write).toMatchObject({ bytes: 2 * MiB, failed: 0 });
      expect(read).toMatchObject({ bytes: 3 * MiB, failed: 0 });
      expect(flush.count).toBe(1);
      expect((await disk.readMedium(0, 2 * MiB)).equals(Buffer.alloc(2 * MiB))).toBe(true);
      expect(await differences(disk, oldContent(2 * MiB, MiB), 2 * MiB)).toBeNull();
    });
  });

  it('gets requests of up to 1 MiB whole, longer ones in pieces', async () => {
    await withFaults([], async (disk) => {
      for (const requestBytes of [4096, 128 << 10, MiB, 4 * MiB]) {
        disk.clearRequests();
        await writeDirect(disk.node, 0, fresh(0, 4 * MiB), { requestBytes, flush: false });
        const { write, flush } = disk.requests();
        expect(write.bytes).toBe(4 * MiB);
        expect(write.longestBytes).toBeLessThanOrEqual(Math.min(requestBytes, MiB));
        expect(write.count).toBeGreaterThanOrEqual((4 * MiB) / Math.min(requestBytes, MiB));
        expect(flush.count).toBe(0);
      }
    });
  });

  it.each(['once', 'always'] as const)(
    'fails the second write %s and stores nothing of it',
    async (times) => {
      await withFaults([{ kind: 'fail-request', op: 'write', nth: 2, times }], async (disk) => {
        const write = (at: number) => writeDirect(disk.node, at, fresh(at, 4096));
        await write(0);
        await expect(write(4096)).rejects.toMatchObject(eio);
        expect((await disk.readMedium(4096, 4096)).equals(oldContent(4096, 4096))).toBe(true);
        const third = write(8192);
        await (times === 'once'
          ? expect(third).resolves.toBeUndefined()
          : expect(third).rejects.toMatchObject(eio));
        expect(disk.requests().write).toMatchObject({ count: 3, failed: times === 'once' ? 1 : 2 });
      });
    },
  );

  it('fails the second read, and the first flush while the data is good', async () => {
    await withFaults([{ kind: 'fail-request', op: 'read', nth: 2, times: 'once' }], async (disk) => {
      await readDirect(disk.node, 0, 4096);
      await expect(readDirect(disk.node, 0, 4096)).rejects.toMatchObject(eio);
      disk.setFaults([{ kind: 'fail-request', op: 'flush', nth: 1, times: 'once' }]);
      await expect(writeDirect(disk.node, 0, fresh(0, MiB))).rejects.toMatchObject({
        ...eio,
        syscall: 'fsync',
      });
      expect(await differences(disk, fresh(0, MiB))).toBeNull();
      expect(disk.requests().flush.failed).toBe(1);
    });
  });

  it('fails wherever a bad range is touched, and nowhere else', async () => {
    const offset = 3 * MiB + 4096;
    await withFaults([{ kind: 'fail-at', op: 'read', offset, lengthBytes: 512 }], async (disk) => {
      await writeDirect(disk.node, 3 * MiB, fresh(3 * MiB, MiB));
      await expect(readDirect(disk.node, offset, 512)).rejects.toMatchObject(eio);
      expect(await differences(disk, fresh(offset + 512, 4096), offset + 512)).toBeNull();
      expect(await differences(disk, fresh(3 * MiB, 4096), 3 * MiB)).toBeNull();
    });
  });

  it('wraps around at its real size', async () => {
    await withFaults([{ kind: 'wrap', realBytes: 4 * MiB }], async (disk) => {
      await writeDirect(disk.node, 5 * MiB, fresh(5 * MiB, MiB));
      expect((await disk.readMedium(MiB, MiB)).equals(fresh(5 * MiB, MiB))).toBe(true);
      expect(await differences(disk, fresh(5 * MiB, MiB), MiB)).toBeNull();
      expect(await differences(disk, fresh(5 * MiB, MiB), 5 * MiB)).toBeNull();
      // across the edge, in one request
      await writeDirect(disk.node, 4 * MiB - 4096, fresh(0, 8192));
      expect(await differences(disk, fresh(4096, 4096), 0)).toBeNull();
    });
  });

  it('forgets what is written past its real size, and reads zeros there', async () => {
    await withFaults([{ kind: 'forget', realBytes: 4 * MiB }], async (disk) => {
      await writeDirect(disk.node, 4 * MiB - 4096, fresh(0, 8192));
      expect(
        await differences(disk, Buffer.concat([fresh(0, 4096), Buffer.alloc(4096)]), 4 * MiB - 4096),
      ).toBeNull();
      expect((await disk.readMedium(4 * MiB, 4096)).equals(oldContent(4 * MiB, 4096))).toBe(true);
    });
  });

  it('repeats its last real sector past its real size', async () => {
    await withFaults([{ kind: 'repeat-last-block', realBytes: 4 * MiB }], async (disk) => {
      const last = oldContent(4 * MiB - 512, 512);
      expect(await differences(disk, Buffer.concat([last, last, last]), 4 * MiB - 512)).toBeNull();
      await writeDirect(disk.node, 6 * MiB, fresh(0, 1024));
      expect((await disk.readMedium(4 * MiB - 512, 512)).equals(fresh(512, 512))).toBe(true);
    });
  });

  it('loses a range: zeros when dropped, the old bytes when stale', async () => {
    const range = { offset: 2 * MiB + 512, lengthBytes: 1024 };
    for (const kind of ['drop', 'stale'] as const) {
      await withFaults([{ kind, ...range }], async (disk) => {
        await writeDirect(disk.node, 2 * MiB, fresh(2 * MiB, MiB));
        const expected = fresh(2 * MiB, MiB);
        (kind === 'drop' ? Buffer.alloc(1024) : oldContent(range.offset, 1024)).copy(expected, 512);
        expect(await differences(disk, expected, 2 * MiB)).toBeNull();
        expect(await differences(disk, fresh(2 * MiB, MiB), 2 * MiB)).toMatchObject({ first: range.offset });
        expect((await disk.readMedium(2 * MiB, MiB)).equals(expected)).toBe(true);
      });
    }
  });

  it('flips one bit for good, or shows one wrong in every second read', async () => {
    const offset = 3 * MiB + 77;
    await withFaults([{ kind: 'flip', offset, bit: 4 }], async (disk) => {
      await writeDirect(disk.node, 3 * MiB, fresh(3 * MiB, MiB));
      for (const _ of [1, 2]) {
        expect(await differences(disk, fresh(3 * MiB, MiB), 3 * MiB)).toEqual({ first: offset, count: 1 });
      }
      const [stored] = await disk.readMedium(offset, 1);
      expect((stored ?? 0) ^ (fresh(offset, 1)[0] ?? 0)).toBe(1 << 4);
    });
    await withFaults([{ kind: 'unstable', offset, bit: 0, everyNth: 2 }], async (disk) => {
      const seen = [];
      for (const _ of [1, 2, 3, 4]) seen.push(await differences(disk, oldContent(3 * MiB, 4096), 3 * MiB));
      const wrong = { first: offset, count: 1 };
      expect(seen).toEqual([null, wrong, null, wrong]);
      expect((await disk.readMedium(offset, 1)).equals(oldContent(offset, 1))).toBe(true);
    });
  });

  it('stalls once at a place, and goes on early when told', async () => {
    const stall: Fault = { kind: 'stall', op: 'write', offset: MiB, forMs: 2000 };
    await withFaults([stall], async (disk) => {
      const write = (at: number) => writeDirect(disk.node, at, fresh(at, 4096));
      expect(await timed(() => write(0))).toBeLessThan(1500);
      expect(await timed(() => write(MiB))).toBeGreaterThan(1990);
      expect(await timed(() => write(MiB))).toBeLessThan(1500);

      disk.setFaults([{ ...stall, forMs: 60_000 }]);
      const waiting = write(MiB);
      await sleep(200);
      disk.setFaults([]);
      expect(await timed(() => waiting)).toBeLessThan(10_000);
    });
  });

  it('keeps the pace of a card, and falls off a cliff', async () => {
    await withFaults(
      [],
      async (disk) => {
        const writeMs = await timed(() => writeDirect(disk.node, 0, fresh(0, 8 * MiB)));
        const readMs = await timed(() => readDirect(disk.node, 0, 8 * MiB));
        // 8 MiB at 20 and 90 MB/s: 419 and 93 ms at the least; no tight upper bound on a busy machine.
        expect(writeMs).toBeGreaterThan(415);
        expect(writeMs).toBeLessThan(5000);
        expect(readMs).toBeGreaterThan(90);
      },
      { pace: cardPace },
    );
    await withFaults([{ kind: 'cliff', afterBytes: 2 * MiB, bytesPerSecond: MiB }], async (disk) => {
      expect(await timed(() => writeDirect(disk.node, 0, fresh(0, 2 * MiB)))).toBeLessThan(1500);
      expect(await timed(() => writeDirect(disk.node, 2 * MiB, fresh(0, MiB)))).toBeGreaterThan(990);
    });
  });

  it('vanishes in the middle of a write, which is half stored, and never comes back', async () => {
    await withFaults([{ kind: 'vanish', op: 'write', nth: 2 }], async (disk) => {
      await writeDirect(disk.node, 0, fresh(0, 8192));
      await expect(writeDirect(disk.node, 8192, fresh(8192, 8192))).rejects.toMatchObject(gone);
      await expect(readDirect(disk.node, 0, 4096)).rejects.toMatchObject(gone);
      await expect(writeDirect(disk.node, 0, fresh(0, 4096))).rejects.toMatchObject(gone);
      const stored = Buffer.concat([fresh(0, 12288), oldContent(12288, 4096)]);
      expect((await disk.readMedium(0, 16384)).equals(stored)).toBe(true);
      expect(disk.requests().list.at(-1)?.outcome).toBe('vanished');
      // What was torn out can be looked at in another reader.
      await withLoopDisk(
        { sizeBytes, backing: 'tmpfs', content: { file: disk.backingPath } },
        async (again) => {
          expect((await readDirect(again.node, 0, 16384)).equals(stored)).toBe(true);
        },
      );
    });
  });

  it('vanishes at a place while reading or writing, and at once when told, even in a stall', async () => {
    await withFaults([{ kind: 'vanish', op: 'write', offset: MiB + 1024 }], async (disk) => {
      await expect(writeDirect(disk.node, MiB, fresh(MiB, 4096))).rejects.toMatchObject(gone);
      const stored = Buffer.concat([fresh(MiB, 1024), oldContent(MiB + 1024, 3072)]);
      expect((await disk.readMedium(MiB, 4096)).equals(stored)).toBe(true);
    });
    await withFaults([{ kind: 'vanish', op: 'read', offset: MiB }], async (disk) => {
      await readDirect(disk.node, 0, MiB);
      await expect(readDirect(disk.node, MiB, 4096)).rejects.toMatchObject(gone);
    });
    await withFaults([{ kind: 'stall', op: 'read', nth: 1, forMs: 60_000 }], async (disk) => {
      const reading = expect(readDirect(disk.node, 0, 4096)).rejects.toMatchObject({
        code: /^(EIO|EINVAL)$/,
      });
      await sleep(100);
      expect(await timed(() => disk.vanishNow())).toBeLessThan(10_000);
      await reading;
    });
  });

  it('fails from the moment it is told to, several ways at once', async () => {
    await withFaults([], async (disk) => {
      await writeDirect(disk.node, 0, fresh(0, 4096));
      disk.setFaults([
        { kind: 'fail-request', op: 'write', nth: 1, times: 'always' },
        { kind: 'flip', offset: 5, bit: 0 },
        { kind: 'fail-request', op: 'read', nth: 2, times: 'once' },
      ]);
      await expect(writeDirect(disk.node, 0, fresh(0, 4096))).rejects.toMatchObject(eio);
      expect(await differences(disk, fresh(0, 4096))).toBeNull();
      await expect(readDirect(disk.node, 0, 4096)).rejects.toMatchObject(eio);
      disk.setFaults([]);
      await writeDirect(disk.node, 0, fresh(0, 4096));
      expect(await differences(disk, fresh(0, 4096))).toBeNull();
    });
  });

  it('answers a disk of 4096-byte sectors like one', async () => {
    await withFaults(
      [],
      async (disk) => {
        await expect(readDirect(disk.node, 0, 512)).rejects.toMatchObject({ code: 'EINVAL' });
        expect(await differences(disk, oldContent(4096, 4096), 4096)).toBeNull();
      },
      { sectorBytes: 4096 },
    );
  });

  it('refuses faults that make no sense', async () => {
    const attempt = (faults: Fault[]) => withFaults(faults, async () => 'ran');
    await expect(attempt([{ kind: 'wrap', realBytes: 16 * MiB }])).rejects.toThrow('real size');
    await expect(
      attempt([
        { kind: 'wrap', realBytes: MiB },
        { kind: 'forget', realBytes: MiB },
      ]),
    ).rejects.toThrow('one real size');
    await expect(attempt([{ kind: 'flip', offset: sizeBytes, bit: 0 }])).rejects.toThrow('outside the disk');
  });
});

describe('a seeded place', () => {
  it('is the same for the same seed, aligned, in bounds and spread out', () => {
    const places = Array.from({ length: 1000 }, (_, seed) => seededOffset(seed, sizeBytes, 4096));
    expect(places).toEqual(Array.from({ length: 1000 }, (_, seed) => seededOffset(seed, sizeBytes, 4096)));
    expect(places.every((place) => place % 4096 === 0 && place >= 0 && place < sizeBytes)).toBe(true);
    const eighths = new Set(places.map((place) => Math.floor(place / MiB)));
    expect(eighths.size).toBe(8);
  });
});
