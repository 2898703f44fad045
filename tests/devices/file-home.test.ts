import { describe, expect, it } from 'vitest';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import { findFileHome } from '../../src/devices/file-home.ts';
import { composeMachine } from './make-machines.ts';

async function composedHome(machine: string, path: string) {
  const made = composeMachine(machine).file('/home/grower/node-os.img', '').file('/boot/node-os.img', '');
  const reader = made.reader();
  return findFileHome(reader, await buildDeviceGraph(reader), path);
}

describe('the disks a file lies on', () => {
  it.each([
    ['lvm-over-luks-on-nvme', '/home/grower/node-os.img', ['dm-1', 'dm-0', 'nvme0n1']],
    ['lvm-over-luks-on-nvme', '/boot/node-os.img', ['nvme0n1']],
    ['md-mirror-root', '/home/grower/node-os.img', ['md0', 'sda', 'sdb']],
    ['btrfs-root-over-two', '/home/grower/node-os.img', ['sda', 'sdb']],
    ['live-stick-squashfs', '/home/grower/node-os.img', ['loop0', 'sda']],
    ['live-stick-squashfs', '/run/live/medium/live/filesystem.squashfs', ['sda']],
    ['live-stick-squashfs', '/run/live/overlay/rw', []],
  ])('%s: %s', async (machine, path, disks) => {
    expect(await composedHome(machine, path)).toEqual({ disks, traced: true });
  });

  it('are not known where the file is missing or its layers are', async () => {
    expect(await composedHome('md-mirror-root', '/home/grower/other.img')).toEqual({
      disks: [],
      traced: false,
    });
    const hidden = await composedHome('live-stick-hidden-layers', '/home/grower/node-os.img');
    expect(hidden.traced).toBe(false);
  });

  it('are not known where one of them is not in the graph', async () => {
    const reader = composeMachine('md-mirror-root').file('/x.img', '').reader();
    const graph = await buildDeviceGraph(reader);
    const shorter = { ...graph, disks: graph.disks.filter(({ name }) => name !== 'sdb') };
    expect((await findFileHome(reader, shorter, '/x.img')).traced).toBe(false);
  });
});
