/** Hardware that was not at hand, composed by recipe (make-machines.ts): what the graph makes of it. */
import { describe, expect, it } from 'vitest';
import type { DeviceGraph } from '../../src/contract/devices.ts';
import { defaultPolicy } from '../../src/contract/policy.ts';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import { createReplayReader } from '../../src/devices/replay/replay-reader.ts';
import { judgeDisk } from '../../src/guard/judge-disk.ts';
import { diskOf, gapsOf, usesOf } from './graph-words.ts';
import { composeCapture, composedNames, composeMachine } from './make-machines.ts';

const graphOf = (name: string): Promise<DeviceGraph> => buildDeviceGraph(composeMachine(name).reader());

describe('composed machines', () => {
  it.each(composedNames)(
    '%s: its capture replays to the same graph and says that it is composed',
    async (name) => {
      const capture = await composeCapture(name);
      expect(capture.origin).toBe('composed');
      expect(capture.note).toMatch(/^composed, not captured: /);
      const overJson = JSON.parse(JSON.stringify(capture));
      expect(await buildDeviceGraph(createReplayReader(overJson))).toEqual(await graphOf(name));
    },
  );

  it('a USB reader: the full slot is a disk with port, unit and id, the empty one is not', async () => {
    const graph = await graphOf('usb-reader-two-slots');
    expect(graph.disks.map(({ name }) => name)).toEqual(['sda', 'sdc']);
    expect(diskOf(graph, 'sdc')).toMatchObject({
      kind: 'usb',
      port: 'usb:1-2.3',
      lun: 1,
      vendor: 'Generic-',
      model: 'Slot 1',
      serial: '20120501030900000',
      usbId: '1d6b:0104',
      usbConnectType: 'hotplug',
      genericNode: '/dev/sg3',
      removable: true,
      sizeBytes: 31_914_983_424,
      diskseq: 12,
      byIds: ['/dev/disk/by-id/usb-Generic-_Slot_1_20120501030900000-0:1'],
      uses: [],
      unseen: [],
    });
    expect(graph.emptyReaders).toEqual([{ port: 'usb:1-2.3', lun: 0, name: 'Generic- Slot 0' }]);
    expect(gapsOf(graph)).toEqual([]);
  });

  it('an SD host: the card has its CID; an empty host and a waiting module are named', async () => {
    const graph = await graphOf('sd-in-mmc-host');
    expect(diskOf(graph, 'mmcblk0')).toMatchObject({
      kind: 'mmc-sd',
      port: 'mmc:0',
      lun: null,
      cid: '0353445343333247801234567801312f',
      model: 'SC32G',
      serial: '0x12345678',
      wear: null,
    });
    expect(graph.emptyReaders).toEqual([
      { port: 'mmc:1', lun: null, name: null },
      {
        port: 'usb:2-1',
        lun: null,
        name: 'a module that waits in its boot mode (0a5c:2711)',
        bootModeId: '0a5c:2711',
      },
    ]);
  });

  it('eMMC: wear is read (JEDEC eMMC 5.0 EXT_CSD), boot and protected areas are a kind of their own', async () => {
    const graph = await graphOf('emmc-with-boot-areas');
    expect(diskOf(graph, 'mmcblk1')).toMatchObject({
      kind: 'mmc-emmc',
      wear: { lifeTimeA: 2, lifeTimeB: 11, preEndOfLife: 2 },
    });
    for (const area of ['boot0', 'boot1', 'rpmb']) {
      const disk = diskOf(graph, `mmcblk1${area}`);
      expect(disk).toMatchObject({ kind: 'mmc-boot', port: 'mmc:1', signatures: null });
      expect(disk.cid).toBe(diskOf(graph, 'mmcblk1').cid);
    }
    expect(diskOf(graph, 'mmcblk1boot0').readOnly).toBe(true);
  });

  it('a board on its SD card: all of it is in use; its copy in the reader, with the same UUIDs, is not', async () => {
    const graph = await graphOf('root-on-sd');
    expect(usesOf(graph, 'mmcblk0')).toEqual([
      'boot-chain fstab: /boot/firmware on mmcblk0p1 through mmcblk0p1',
      'boot-chain root= on mmcblk0p2 through mmcblk0p2',
      'configured fstab: / on mmcblk0p2 through mmcblk0p2',
      'mount / on mmcblk0p2 through mmcblk0p2',
      'mount /boot/firmware on mmcblk0p1 through mmcblk0p1',
    ]);
    expect(usesOf(graph, 'sda')).toEqual([]);
  });

  it('the same board started from elsewhere: both carry what fstab names, so both are spoken for', async () => {
    const machine = composeMachine('root-on-sd').disk({
      path: 'pci0000:00/0000:00:05.0/virtio2/block/vda',
      numbers: '252:0',
      sizeBytes: 2 ** 30,
    });
    const graph = await buildDeviceGraph(machine.mount('252:0', '/', 'ext4', '/dev/vda').reader());
    expect(usesOf(graph, 'vda')).toContain('mount / on vda');
    machine.file('/etc/fstab', 'PARTUUID=c0ffee00-02 /data ext4 noauto 0 0\n');
    const later = await buildDeviceGraph(machine.reader());
    expect(usesOf(later, 'sda')).toContain('configured fstab: /data on sda2 through sda2');
    expect(usesOf(later, 'mmcblk0')).toContain('configured fstab: /data on mmcblk0p2 through mmcblk0p2');
  });

  it('LVM over LUKS on NVMe: everything leads down to the one disk, the unmounted EFI partition too', async () => {
    const graph = await graphOf('lvm-over-luks-on-nvme');
    const below = 'nvme0n1p3 through nvme0n1p3 > dm-0 (keep)';
    expect(usesOf(graph, 'nvme0n1')).toEqual([
      `boot-chain root= on ${below} > dm-1 (vg0-root)`,
      'boot-chain the partition that the firmware started from on nvme0n1p1 through nvme0n1p1',
      'configured crypttab: keep on nvme0n1p3 through nvme0n1p3',
      `configured fstab: / on ${below} > dm-1 (vg0-root)`,
      'holder dm-0 (keep) on nvme0n1p3 through nvme0n1p3',
      `holder dm-1 (vg0-root) on ${below}`,
      `holder dm-2 (vg0-swap) on ${below}`,
      `mount / on ${below} > dm-1 (vg0-root)`,
      'mount /boot on nvme0n1p2 through nvme0n1p2',
      `swap /dev/dm-2 on ${below} > dm-2 (vg0-swap)`,
    ]);
    expect(diskOf(graph, 'nvme0n1')).toMatchObject({
      kind: 'nvme',
      port: 'pci:0000:01:00.0',
      serial: 'S4EVNX0N000001',
    });
  });

  it('a mirror: / stands on both members', async () => {
    const graph = await graphOf('md-mirror-root');
    for (const name of ['sda', 'sdb']) {
      expect(usesOf(graph, name)).toEqual([
        `holder md0 on ${name}1 through ${name}1`,
        `mount / on ${name}1 through ${name}1 > md0`,
      ]);
    }
  });

  it('btrfs over two disks: / and a subvolume stand on both, although only one is the source', async () => {
    const graph = await graphOf('btrfs-root-over-two');
    for (const name of ['sda', 'sdb'])
      expect(usesOf(graph, name)).toEqual(
        expect.arrayContaining([`mount / on ${name}`, `mount /home on ${name}`]),
      );
    expect(gapsOf(graph)).toEqual([]);
  });

  it('a live stick: / leads through overlay, squashfs and loop to the stick', async () => {
    const graph = await graphOf('live-stick-squashfs');
    expect(usesOf(graph, 'sda')).toContain('mount / on sda1 through sda1 > loop0');
    expect(gapsOf(graph)).toEqual([]);
  });

  it('a live stick whose layers are out of sight: nothing on this machine may be written', async () => {
    const graph = await graphOf('live-stick-hidden-layers');
    expect(graph.untraced).toEqual(['0:31 (/ as overlay): layer /left/behind is not found']);
  });

  it('a pool and a cached disk: members are found, a cache set without a device is seen', async () => {
    expect(usesOf(await graphOf('pool-on-zfs'), 'sdb')).toEqual(['mount /srv on sdb3 through sdb3']);
    const cached = await graphOf('cached-disk');
    expect(usesOf(cached, 'nvme0n1')).toEqual([
      'holder bcache0 on nvme0n1',
      'mount /srv on nvme0n1 through bcache0',
    ]);
    expect(usesOf(cached, 'sdc')).toEqual(['holder bcache on sdc']);
  });
});

describe('what cannot be traced', () => {
  const base = () => composeMachine('usb-reader-two-slots');

  it.each([
    [
      'a mounted disk that is gone',
      '8:99',
      '/media/card',
      'ext4',
      '/dev/sdx1',
      '8:99 (/media/card as ext4): 8:99 is not in sysfs',
    ],
    [
      'a file system nobody knows',
      '0:50',
      '/srv',
      'newfs',
      'something',
      '0:50 (/srv as newfs): newfs of something',
    ],
    [
      'a pool that cannot be asked',
      '0:51',
      '/srv',
      'zfs',
      'tank',
      '0:51 (/srv as zfs): members of the pool tank cannot be listed',
    ],
  ])('%s refuses everything', async (_, numbers, point, type, source, untraced) => {
    const graph = await buildDeviceGraph(base().mount(numbers, point, type, source).reader());
    expect(graph.untraced).toEqual([untraced]);
  });

  it.each([
    ['nfs4', 'server.example.org:/srv'],
    ['fuse.server', 'grower@server.example.org:'],
    ['tmpfs', 'tmpfs'],
    ['9p', 'share'],
  ])('%s is on no disk, and refuses nothing', async (type, source) => {
    const graph = await buildDeviceGraph(base().mount('0:60', '/srv', type, source).reader());
    expect(gapsOf(graph)).toEqual([]);
  });

  it('/ on the network is said, and refuses nothing', async () => {
    const graph = await buildDeviceGraph(
      base().mount('0:60', '/', 'nfs4', 'server.example.org:/station').reader(),
    );
    expect(gapsOf(graph)).toEqual([]);
    const alone = composeMachine('emmc-with-boot-areas').mount('0:60', '/', '9p', 'share');
    expect(gapsOf(await buildDeviceGraph(alone.reader()))).toEqual([]);
  });

  describe('/ on an overlay whose layers are in sight: a share of another machine, and changes elsewhere', () => {
    const withShare = () =>
      composeMachine('live-stick-hidden-layers').mount('0:22', '/left/behind', '9p', 'share');
    const withChanges = (numbers: string, fsType: string, source: string) => {
      const machine = withShare().mount(numbers, '/cow', fsType, source);
      return buildDeviceGraph(machine.folder('/cow/up').folder('/cow/wk').reader());
    };

    it('in memory: it is on no disk, and refuses none', async () => {
      const graph = await withChanges('0:23', 'tmpfs', 'tmpfs');
      expect(gapsOf(graph)).toEqual([]);
      expect(usesOf(graph, 'sda')).toEqual([]);
      const context = { graph, policy: defaultPolicy, image: null };
      expect(judgeDisk(diskOf(graph, 'sda'), context).verdict).toBe('allowed');
    });

    it('on a card: the system stands on that card', async () => {
      const graph = await withChanges('8:0', 'ext4', '/dev/sda');
      expect(usesOf(graph, 'sda')).toEqual(['mount / on sda', 'mount /cow on sda']);
      expect(gapsOf(graph)).toEqual([]);
      const context = { graph, policy: defaultPolicy, image: null };
      expect(judgeDisk(diskOf(graph, 'sda'), context).verdict).toBe('refused');
    });

    it.each([
      ['at the same place', ['/cow']],
      ['at the layers themselves', ['/cow/up', '/cow/wk']],
    ])(
      'on a card, with memory mounted over them since, %s: the system stands on that card',
      async (_, over) => {
        const machine = withShare().mount('8:0', '/cow', 'ext4', '/dev/sda');
        for (const place of over) machine.mount('0:40', place, 'tmpfs', 'none');
        const graph = await buildDeviceGraph(machine.folder('/cow/up').folder('/cow/wk').reader());
        expect(usesOf(graph, 'sda')).toContain('mount / on sda');
        expect(gapsOf(graph)).toEqual([]);
      },
    );

    it('in memory, beneath what cannot be traced: every disk is refused', async () => {
      const machine = withShare()
        .mount('0:50', '/cow', 'newfs', 'something')
        .mount('0:40', '/cow', 'tmpfs', 'none');
      const graph = await buildDeviceGraph(machine.folder('/cow/up').folder('/cow/wk').reader());
      expect(graph.untraced).toContain('0:31 (/ as overlay): newfs of something');
    });

    it('or the changes out of sight: every disk is refused', async () => {
      const graph = await buildDeviceGraph(withShare().reader());
      expect(graph.untraced).toEqual(['0:31 (/ as overlay): layer /cow/up is not found']);
      const context = { graph, policy: defaultPolicy, image: null };
      expect(judgeDisk(diskOf(graph, 'sda'), context).verdict).toBe('refused');
    });
  });

  it('a loop whose backing file is out of sight refuses everything', async () => {
    const machine = base().disk({
      path: 'virtual/block/loop3',
      numbers: '7:3',
      sizeBytes: 2 ** 20,
      attributes: { 'loop/backing_file': '/out/of/sight (deleted)' },
    });
    const graph = await buildDeviceGraph(machine.reader());
    expect(graph.untraced).toEqual([
      'loop3 over /out/of/sight (deleted): its backing file /out/of/sight (deleted) is not found',
    ]);
  });

  it('a container, where other processes are out of sight, refuses everything', async () => {
    const reader = base().reader();
    const graph = await buildDeviceGraph({
      ...reader,
      readLink: async (path) =>
        path === '/proc/self/ns/pid' ? { ok: true, value: 'pid:[4026532999]' } : reader.readLink(path),
    });
    expect(gapsOf(graph)).toEqual(['processes outside our own process namespace: we run inside a container']);
  });

  it('overlays whose hidden layers seem to lead to each other end', async () => {
    const machine = composeMachine('live-stick-hidden-layers').mount(
      '0:40',
      '/left',
      'overlay',
      'overlay',
      'rw,lowerdir=/cow,upperdir=/cow/up',
    );
    machine.folder('/left/behind').folder('/cow/up');
    const graph = await buildDeviceGraph(machine.reader());
    expect(graph.untraced.length).toBeGreaterThan(0);
  });
});

describe('leaving a disk alone', () => {
  it('does not open it, and says that its content is not known', async () => {
    const inner = composeMachine('usb-reader-two-slots').reader();
    const opened: string[] = [];
    const reader = {
      ...inner,
      readBytes: (path: string, at: number, length: number) => {
        opened.push(path);
        return inner.readBytes(path, at, length);
      },
    };
    const graph = await buildDeviceGraph(reader, { leaveAlone: ['sdc'] });
    expect(opened.filter((path) => path.startsWith('/dev/sd'))).toEqual([
      '/dev/sda',
      '/dev/sda1',
      '/dev/sda2',
    ]);
    expect(diskOf(graph, 'sdc')).toMatchObject({ signatures: null, unseen: [{ decides: true }] });
  });
});
