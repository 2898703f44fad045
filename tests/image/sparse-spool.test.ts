import fs from 'node:fs';
import { describe, expect, it } from 'vitest';
import { SparseSpool } from '../../src/image/sparse-spool.ts';
import { noise, workFolder } from './recipes.ts';

const folder = workFolder();

/** Open descriptors of this process and what they lead to. */
function descriptors(): [fd: string, target: string][] {
  return fs.readdirSync('/proc/self/fd').map((fd) => {
    try {
      return [fd, fs.readlinkSync(`/proc/self/fd/${fd}`)];
    } catch {
      // the one that listed them is gone
      return [fd, ''];
    }
  });
}

describe('the unpacked image in a temporary file', () => {
  it('comes back as it was, with holes where there were zeros, and without a name', () => {
    const parts = [
      Buffer.alloc(100_000),
      noise(50_001),
      Buffer.alloc(3_000_000),
      noise(10),
      Buffer.alloc(77_777),
    ];
    const whole = Buffer.concat(parts);
    const spool = new SparseSpool(folder);
    for (let at = 0; at < whole.length; at += 40_000) spool.append(whole.subarray(at, at + 40_000));
    const source = spool.finish();
    expect(source?.sizeBytes).toBe(whole.length);
    expect(Buffer.compare(source?.read(0, whole.length) ?? Buffer.alloc(0), whole)).toBe(0);
    expect(fs.readdirSync(folder)).toEqual([]);
    const [fd, target] = descriptors().find(([, to]) => to.startsWith(folder)) ?? [];
    expect(target).toMatch(/\(deleted\)$/);
    // 14 blocks of data at most
    expect(fs.fstatSync(Number(fd)).blocks * 512).toBeLessThanOrEqual(15 * 4096);
    spool.close();
    expect(descriptors().filter(([, to]) => to.startsWith(folder))).toEqual([]);
  });

  it('is given up when the room gets short, and says so', () => {
    let free = 2 ** 30;
    const spool = new SparseSpool(folder, () => free);
    spool.append(noise(5000));
    expect(spool.failure).toBeNull();
    free = 2 ** 20;
    spool.append(noise(5000));
    expect(spool.failure).toMatch(/no room/);
    expect(spool.finish()).toBeNull();
    spool.close();
  });
});
