/** Journals of mounted volumes on devices of their own. The names in /proc/fs/jbd2: linux, fs/jbd2/journal.c. */
import { describe, expect, it } from 'vitest';
import type { SystemReader } from '../../src/contract/system-reader.ts';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import { gapsOf, usesOf } from './graph-words.ts';
import { station } from './machine-parts.ts';
import type { MakeBelieveMachine } from './make-machine.ts';

const withCard = (): MakeBelieveMachine =>
  station().disk({
    path: 'pci0000:00/0000:00:14.0/usb1/1-1/1-1:1.0/host6/target6:0:0/6:0:0:0/block/sdb',
    numbers: '8:16',
    sizeBytes: 2 ** 30,
    partitions: { sdb1: { numbers: '8:17', startMib: 1, sizeMib: 64 } },
  });

describe('journals of mounted volumes', () => {
  it('on a device of their own are a use of that disk', async () => {
    const machine = withCard().folder('/proc/fs/jbd2/sdb1').folder('/proc/fs/jbd2/sda2-8');
    expect(usesOf(await buildDeviceGraph(machine.reader()), 'sdb')).toEqual([
      'holder the journal of another file system on sdb1 through sdb1',
    ]);
  });

  it('inside their own volume are none, nor where the kernel knows of no journals', async () => {
    const inside = await buildDeviceGraph(withCard().folder('/proc/fs/jbd2/sdb1-8').reader());
    const none = await buildDeviceGraph(withCard().reader());
    expect([usesOf(inside, 'sdb'), usesOf(none, 'sdb')]).toEqual([[], []]);
    expect([gapsOf(inside), gapsOf(none)]).toEqual([[], []]);
  });

  it('that cannot be listed refuse', async () => {
    const inner = withCard().reader();
    const list: SystemReader['list'] = async (path) =>
      path === '/proc/fs/jbd2' ? { ok: false, why: 'EACCES' } : inner.list(path);
    expect(gapsOf(await buildDeviceGraph({ ...inner, list }))).toEqual(['/proc/fs/jbd2: EACCES']);
  });
});
