import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import { emptyCapture, packBytes, unpackBytes } from '../../src/devices/replay/capture.ts';
import { recordReads } from '../../src/devices/replay/record-reads.ts';
import { reduceCapture } from '../../src/devices/replay/reduce-capture.ts';
import { renderCapture } from '../../src/devices/replay/render-capture.ts';
import { createReplayReader } from '../../src/devices/replay/replay-reader.ts';
import { scrubCapture } from '../../src/devices/replay/scrub-capture.ts';
import { loadCapture } from './load-capture.ts';
import { composeCapture, composeMachine } from './make-machines.ts';

describe('stored bytes', () => {
  it('come back whole, zeros left out', () => {
    const piece = fc.oneof(
      fc.uint8Array({ maxLength: 700 }),
      fc.nat(2000).map((length) => new Uint8Array(length)),
    );
    fc.assert(
      fc.property(fc.array(piece, { maxLength: 6 }), (pieces) => {
        const bytes = Uint8Array.from(Buffer.concat(pieces));
        expect(unpackBytes(packBytes(bytes))).toEqual(bytes);
      }),
    );
    expect(packBytes(new Uint8Array(1 << 20))).toEqual({ length: 1 << 20, parts: [] });
  });
});

describe('a replayed machine', () => {
  it('answers what was asked, parts of what was read, and nothing else', async () => {
    const machine = composeMachine('usb-reader-two-slots').file(
      '/etc/long',
      Uint8Array.from({ length: 1000 }, (_, at) => at % 251),
    );
    const { reader, capture } = recordReads(machine.reader());
    await reader.readBytes('/etc/long', 100, 500);
    await reader.readText('/etc/none');
    await reader.run('blkid', ['-p', '-o', 'udev', '/dev/sda1']);
    const replayed = createReplayReader(JSON.parse(JSON.stringify(capture())));
    expect(await replayed.readBytes('/etc/long', 200, 10)).toEqual(
      await machine.reader().readBytes('/etc/long', 200, 10),
    );
    expect(await replayed.readBytes('/etc/long', 595, 10)).toEqual({ ok: false, why: 'not captured' });
    expect(await replayed.readText('/etc/none')).toEqual({ ok: false, why: 'ENOENT' });
    expect(await replayed.readText('/etc/other')).toEqual({ ok: false, why: 'not captured' });
    expect(await replayed.readText('constructor')).toEqual({ ok: false, why: 'not captured' });
    expect(await replayed.run('blkid', ['-p', '/dev/sda1'])).toEqual({ ok: false, why: 'not captured' });
    expect(await replayed.run('blkid', ['-p', '-o', 'udev', '/dev/sda1'])).toMatchObject({ ok: true });
    expect(await replayed.drivelist()).toEqual({ ok: false, why: 'not captured' });
  });

  it('of which nothing was captured, refuses as a whole', async () => {
    const graph = await buildDeviceGraph(createReplayReader(emptyCapture('captured', '')));
    expect(graph.disks).toEqual([]);
    expect(graph.untraced).toContain('/ (our own mountinfo cannot be read)');
    expect(graph.unseen.some(({ what, decides }) => what === '/sys/block' && decides)).toBe(true);
  });
});

describe('a capture', () => {
  it('scrubbed has no serial number left anywhere, and gives the same graph but for them', async () => {
    const capture = await composeCapture('usb-reader-two-slots');
    const scrubbed = scrubCapture(capture, { words: [['Generic-', 'Maker']] });
    const text = JSON.stringify(scrubbed);
    expect(JSON.stringify(capture)).toContain('20120501030900000');
    expect(text).not.toContain('20120501030900000');
    expect(text).not.toContain('Generic-');
    const card = (await buildDeviceGraph(createReplayReader(scrubbed))).disks.find(
      ({ name }) => name === 'sdc',
    );
    expect(card).toMatchObject({ vendor: 'Maker', serial: expect.stringMatching(/^\d{17}$/) });
    expect(card?.byIds[0]).toContain(card?.serial ?? 'no serial');
  });

  it('scrubbed leaves out the pages that SATA disks tell their serial numbers in, and replays without them', async () => {
    const capture = loadCapture('guest-readers');
    expect(JSON.stringify(capture)).toContain('SATA0001');
    const scrubbed = scrubCapture(capture);
    expect(JSON.stringify(scrubbed)).not.toContain('SATA0001');
    const { disks } = await buildDeviceGraph(createReplayReader(scrubbed));
    const told = disks.filter(({ kind }) => kind === 'sata').map(({ serial, unseen }) => [serial, unseen]);
    expect(told).toEqual([
      [null, []],
      [null, []],
    ]);
  });

  it('scrubbed keeps the shape of a CID', async () => {
    const scrubbed = scrubCapture(await composeCapture('sd-in-mmc-host'));
    expect(JSON.stringify(scrubbed)).not.toContain('0353445343333247801234567801312f');
    const graph = await buildDeviceGraph(createReplayReader(scrubbed));
    expect(graph.disks.find(({ kind }) => kind === 'mmc-sd')?.cid).toMatch(/^[0-9a-f]{32}$/);
  });

  it('reduced leaves out processes without a disk, and gives the same graph', async () => {
    const machine = composeMachine('usb-reader-two-slots').node('/dev/tty', '8:99');
    for (let pid = 100; pid < 150; pid++) machine.process(pid, 'idle', { 0: '/dev/null' });
    machine.process(200, 'reader', { 3: '/dev/sdc', 4: '/etc', 5: '/usr' });
    machine.file('/proc/cmdline', 'secret=1 root=/dev/sda2 host=station\n');
    const { reader, capture } = recordReads(machine.reader());
    const graph = await buildDeviceGraph(reader);
    expect(graph.disks.find(({ name }) => name === 'sdc')?.uses).toMatchObject([
      { kind: 'open-descriptor', pid: 200 },
    ]);
    const reduced = reduceCapture(capture());
    expect(await buildDeviceGraph(createReplayReader(reduced))).toEqual(graph);
    const text = renderCapture(reduced);
    expect(text).not.toContain('/proc/120/');
    expect(text).not.toContain('/proc/200/fd/4');
    expect(text).not.toContain('secret');
    expect(JSON.parse(text)).toEqual(reduced);
  });

  it('reduced keeps what a process keeps from us', async () => {
    const inner = composeMachine('usb-reader-two-slots').process(77, 'closed').reader();
    const list: typeof inner.list = async (path) =>
      path === '/proc/77/fd' ? { ok: false, why: 'EACCES' } : inner.list(path);
    const { reader, capture } = recordReads({ ...inner, list });
    const graph = await buildDeviceGraph(reader);
    expect(graph.unseen).toMatchObject([
      { what: 'open descriptors of other processes', decides: true },
      { decides: false },
    ]);
    expect(await buildDeviceGraph(createReplayReader(reduceCapture(capture())))).toEqual(graph);
  });
});
