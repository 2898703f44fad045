import { describe, expect, it } from 'vitest';
import { buildDeviceGraph } from '../../src/devices/build-graph.ts';
import { compareIdentity, readIdentity } from '../../src/devices/read-identity.ts';
import { wakeRemovable } from '../../src/devices/wake-removable.ts';
import { diskOf } from './graph-words.ts';
import { composeMachine } from './make-machines.ts';

async function identityOf(machine: string, numbers: string) {
  const answer = await readIdentity(composeMachine(machine).reader(), numbers);
  if (!answer.ok) throw new Error(answer.why);
  return answer.value;
}

describe('the identity of a card', () => {
  it('is what the graph says, field by field', async () => {
    const graph = await buildDeviceGraph(composeMachine('usb-reader-two-slots').reader());
    const identity = await identityOf('usb-reader-two-slots', '8:32');
    expect(diskOf(graph, 'sdc')).toMatchObject(identity);
    expect(compareIdentity(diskOf(graph, 'sdc'), identity)).toEqual([]);
  });

  it('names every field that differs', async () => {
    const card = await identityOf('usb-reader-two-slots', '8:32');
    expect(compareIdentity(card, await identityOf('usb-reader-both-full', '8:32'))).toEqual([
      'sizeBytes',
      'diskseq',
    ]);
    expect(compareIdentity(card, await identityOf('usb-reader-both-full', '8:16'))).toEqual([
      'node',
      'majorMinor',
      'lun',
      'model',
      'sizeBytes',
      'diskseq',
    ]);
    for (const field of Object.keys(card)) {
      expect(compareIdentity(card, { ...card, [field]: 'other' })).toEqual([field]);
    }
  });

  it.each([
    ['8:77', 'ENOENT'],
    ['8:2', 'a partition'],
  ])('is not given for %s: %s', async (numbers, why) => {
    const answer = await readIdentity(composeMachine('usb-reader-two-slots').reader(), numbers);
    expect(answer).toEqual({ ok: false, why });
  });

  it('is not given while a fact of it is kept from us', async () => {
    const reader = composeMachine('sd-in-mmc-host').reader();
    const readText: typeof reader.readText = async (path) =>
      path.endsWith('/cid') ? { ok: false, why: 'EIO' } : reader.readText(path);
    expect(await readIdentity({ ...reader, readText }, '179:0')).toEqual({ ok: false, why: 'cid: EIO' });
  });
});

describe('waking removable disks', () => {
  it('opens each once for reading, before facts are read, and no fixed disk', async () => {
    const inner = composeMachine('usb-reader-both-full').reader();
    const reads: string[] = [];
    const reader = {
      ...inner,
      readBytes: async (path: string, offset: number, length: number) => {
        reads.push(path);
        return path === '/dev/sdb'
          ? { ok: false as const, why: 'ENOMEDIUM' }
          : inner.readBytes(path, offset, length);
      },
    };
    expect(await wakeRemovable(reader)).toEqual([
      { name: 'sdb', why: 'ENOMEDIUM' },
      { name: 'sdc', why: null },
    ]);
    expect(reads).toEqual(['/dev/sdb', '/dev/sdc']);
    expect(await wakeRemovable(reader, { leaveAlone: ['sdb', 'sdc'] })).toEqual([]);
    expect(reads).toHaveLength(2);
  });
});
