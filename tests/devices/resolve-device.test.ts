import { describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import { describePort, resolveDevice } from '../../src/devices/resolve-device.ts';
import { composeMachine } from './make-machines.ts';

async function resolve(machine: string, text: string): Promise<string> {
  const made = composeMachine(machine);
  made.file('/tmp/notes', 'text').folder('/tmp/folder').node('/dev/sdb9', '8:25');
  made.link('/dev/disk/by-id/card', '../../sdc').link('/dev/my-card', 'disk/by-id/card');
  const reader = made.reader();
  const graph = await buildDeviceGraph(reader);
  try {
    return (await resolveDevice(reader, graph, text)).name;
  } catch (error) {
    if (!(error instanceof CardwrightError)) throw error;
    return `${error.code} (${error.exitStatus}): ${error.message}`;
  }
}

describe('a device named by a person', () => {
  it.each([
    ['usb-reader-two-slots', '/dev/sdc', 'sdc'],
    ['usb-reader-two-slots', '/dev/disk/by-id/card', 'sdc'],
    ['usb-reader-two-slots', '/dev/my-card', 'sdc'],
    ['usb-reader-two-slots', 'usb:1-2.3', 'sdc'],
    ['usb-reader-two-slots', 'usb:1-2.3/1', 'sdc'],
    ['usb-reader-both-full', 'usb:1-2.3/0', 'sdb'],
    ['sd-in-mmc-host', 'mmc:0', 'mmcblk0'],
    ['emmc-with-boot-areas', 'mmc:1', 'mmcblk1'],
    ['root-on-sd', 'usb:1-1', 'sda'],
    ['lvm-over-luks-on-nvme', 'pci:0000:01:00.0', 'nvme0n1'],
  ])('%s: %s is %s', async (machine, text, name) => {
    expect(await resolve(machine, text)).toBe(name);
  });

  it.each([
    ['usb-reader-two-slots', 'sdc', /^devices\.not-a-name \(2\)/],
    ['usb-reader-two-slots', '', /^devices\.not-a-name \(2\)/],
    ['usb-reader-two-slots', 'usb:1-2.3/', /^devices\.not-a-name \(2\)/],
    ['usb-reader-two-slots', '/dev/nothing', /^devices\.nothing-there \(2\)/],
    ['usb-reader-two-slots', 'usb:9-9', /^devices\.nothing-there \(2\)/],
    ['usb-reader-two-slots', 'usb:1-2.3/7', /^devices\.nothing-there \(2\)/],
    ['usb-reader-two-slots', '/tmp/notes', /^devices\.not-a-block-device \(2\): .* is a file/],
    ['usb-reader-two-slots', '/tmp/folder', /^devices\.not-a-block-device \(2\): .* is a directory/],
    ['usb-reader-two-slots', '/dev/sda2', /^devices\.is-partition \(3\): .* partition of \/dev\/sda;/],
    ['usb-reader-two-slots', 'usb:1-2.3/0', /^devices\.port-empty \(3\)/],
    ['usb-reader-two-slots', '/dev/sdb', /^devices\.not-listed \(3\)/],
    ['usb-reader-two-slots', '/dev/sdb9', /^devices\.not-listed \(3\)/],
    [
      'usb-reader-both-full',
      'usb:1-2.3',
      /^devices\.port-ambiguous \(2\): .*usb:1-2\.3\/0 \(\/dev\/sdb\), usb:1-2\.3\/1 \(\/dev\/sdc\)/,
    ],
    ['sd-in-mmc-host', 'mmc:1', /^devices\.port-empty \(3\)/],
    ['sd-in-mmc-host', 'usb:2-1', /^devices\.module-waits \(3\)/],
  ])('%s: %j is refused', async (machine, text, said) => {
    expect(await resolve(machine, text)).toMatch(said);
  });

  it('says when it may not look', async () => {
    const reader = composeMachine('usb-reader-two-slots').reader();
    const graph = await buildDeviceGraph(reader);
    const blind = { ...reader, stat: async () => ({ ok: false as const, why: 'EACCES' }) };
    await expect(resolveDevice(blind, graph, '/dev/sdc')).rejects.toMatchObject({
      code: 'devices.unreadable',
      exitStatus: 3,
    });
  });
});

describe('a reader in words', () => {
  it.each([
    [{ port: 'usb:1-2', lun: 0, node: '/dev/sdb' }, 'usb:1-2'],
    [{ port: 'usb:1-2', lun: 1, node: '/dev/sdc' }, 'usb:1-2/1'],
    [{ port: 'mmc:0', lun: null, node: '/dev/mmcblk0' }, 'mmc:0'],
    [{ port: null, lun: null, node: '/dev/loop3' }, '/dev/loop3'],
  ])('%j is %s', (identity, text) => {
    expect(describePort(identity)).toBe(text);
  });
});
