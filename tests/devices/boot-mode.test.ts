/** A module that waits for its boot files, in replayed sysfs trees (Documentation/ABI/testing/sysfs-bus-usb). */
import { describe, expect, it } from 'vitest';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import { findWaitingModules } from '../../src/devices/linux/boot-mode.ts';
import { createReplayReader } from '../../src/devices/replay/replay-reader.ts';
import { composeCapture } from './make-machines.ts';

async function machineWith(more: Readonly<Record<string, string>> = {}) {
  const capture = await composeCapture('sd-in-mmc-host');
  const reader = createReplayReader(capture);
  const ports = Object.keys(more);
  const list: typeof reader.list = async (path) => {
    const answer = await reader.list(path);
    return path === '/sys/bus/usb/devices' && answer.ok
      ? { ok: true, value: [...answer.value, ...ports] }
      : answer;
  };
  const readText: typeof reader.readText = async (path) => {
    const [, port, file] = /^\/sys\/bus\/usb\/devices\/([^/]+)\/(idVendor|idProduct)$/.exec(path) ?? [];
    const id = port === undefined ? undefined : more[port];
    if (id === undefined) return reader.readText(path);
    return { ok: true, value: `${id.split(':')[file === 'idVendor' ? 0 : 1]}\n` };
  };
  return { ...reader, list, readText };
}

describe('a module that waits in its boot mode', () => {
  it('is found by its USB id, wherever it hangs', async () => {
    const reader = await machineWith({ '3-1.4': '2207:330c', '3-1.4:1.0': '2207:330c', usb3: '1d6b:0002' });
    expect(await findWaitingModules(reader)).toEqual([
      { port: 'usb:2-1', usbId: '0a5c:2711' },
      { port: 'usb:3-1.4', usbId: '2207:330c' },
    ]);
  });

  it('may be of a kind that the station’s policy names', async () => {
    const reader = await machineWith({ '3-2': '1d6b:0104' });
    expect(await findWaitingModules(reader)).toHaveLength(1);
    expect(await findWaitingModules(reader, ['1d6b:0104'])).toContainEqual({
      port: 'usb:3-2',
      usbId: '1d6b:0104',
    });
    const { emptyReaders } = await buildDeviceGraph(reader, { bootModeIds: ['1d6b:0104'] });
    expect(emptyReaders.map(({ bootModeId }) => bootModeId)).toEqual([undefined, '0a5c:2711', '1d6b:0104']);
  });

  it('is not there once it shows its storage, or is gone before it could be read', async () => {
    const none = await machineWith();
    const without = {
      ...none,
      readText: (path: string) =>
        path.includes('/2-1/') ? Promise.resolve({ ok: false as const, why: 'ENODEV' }) : none.readText(path),
    };
    expect(await findWaitingModules(without)).toEqual([]);
    const noUsb = { ...none, list: () => Promise.resolve({ ok: false as const, why: 'ENOENT' }) };
    expect(await findWaitingModules(noUsb)).toEqual([]);
  });
});
