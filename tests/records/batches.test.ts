import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { digestMapRoot } from '../../src/records/digest-map.ts';
import { isSameMap, openSample, orchardJob, sampleMap, slotCard } from './sample.ts';
import { useWorkFolder } from './work-folder.ts';

const workFolder = useWorkFolder();
const nodes = [
  { name: 'orchard-02', slot: 'A2' },
  { name: 'orchard-01', slot: 'A1' },
];
const batch = { set: 'orchard', planPath: '/srv/orchard.yaml', toolVersion: '0.1.0', nodes };
const open = (options: Parameters<typeof openSample>[1] = {}) =>
  openSample(join(workFolder(), 'records.db'), options);

describe('a batch in the store', () => {
  it('keeps its nodes in the plan’s order, its image, its jobs and its end', () => {
    const records = open();
    const id = records.beginBatch(batch);
    expect(records.readBatch(id)).toMatchObject({ state: 'running', image: null, recordIds: [], nodes });
    const map = sampleMap(5);
    records.saveStagedImage(id, { path: '/srv/node-os.img', sizeBytes: map.sizeBytes, elapsedMs: 41.6, map });
    const job = records.beginJob({ ...orchardJob, batch: id, slot: 'A1', settings: { network: 'ab' } });
    const alone = records.beginJob(orchardJob);
    records.endBatch(id, 'not-all-done');
    const view = records.readBatch(id);
    expect(view).toMatchObject({ state: 'not-all-done', recordIds: [job], endedAtMs: expect.any(Number) });
    expect(view?.image).toEqual({
      path: '/srv/node-os.img',
      sizeBytes: map.sizeBytes,
      elapsedMs: 42,
      mapRoot: digestMapRoot(map),
    });
    expect(isSameMap(records.readImageMap(digestMapRoot(map)), map)).toBe(true);
    expect(records.listRecords({ batch: id }).map((r) => r.id)).toEqual([job]);
    expect(records.readRecord(job)).toMatchObject({ batch: id, slot: 'A1', settings: { network: 'ab' } });
    expect(records.readRecord(alone)).toMatchObject({ batch: null, slot: null, settings: null });
    expect(records.listSets()).toEqual([{ name: 'orchard', planPath: '/srv/orchard.yaml', nodes }]);
  });

  it('whose process is gone without an end reads interrupted', () => {
    const records = open({ isGone: () => true });
    const id = records.beginBatch(batch);
    expect(records.readBatch(id)).toMatchObject({ state: 'interrupted', endedAtMs: null });
    expect(records.listBatches({ set: 'vineyard' })).toEqual([]);
    expect(records.listBatches({ set: 'orchard', limit: 1 }).map((b) => b.id)).toEqual([id]);
  });

  it('shares one map with every batch of the same image, and is refused where it does not exist', () => {
    const records = open();
    const image = { path: '/srv/node-os.img', sizeBytes: 1, elapsedMs: 1, map: sampleMap(2) };
    for (const id of [records.beginBatch(batch), records.beginBatch(batch)]) {
      records.saveStagedImage(id, image);
    }
    expect(() => records.saveStagedImage(9, image)).toThrow(/no batch 9/);
    expect(() => records.endBatch(9, 'done')).toThrow(/no batch 9/);
    expect(records.readBatch(9)).toBeNull();
    expect(records.readImageMap('0'.repeat(64))).toBeNull();
  });
});

describe('a card in the store', () => {
  it('is one by its CID, whatever the slot; without a CID by the record that it named itself', () => {
    const records = open();
    const first = records.beginJob({ ...orchardJob, card: slotCard });
    // Some controllers give the CID's last byte as zero (facts: check values).
    const again = { ...slotCard, port: 'mmc:1', cid: `${slotCard.cid?.slice(0, 30)}00` };
    const second = records.beginJob({ ...orchardJob, card: again });
    expect(records.listCards().map((card) => card.recordIds)).toEqual([[first, second]]);
    const third = records.beginJob(orchardJob);
    const uuid = records.readRecord(third)?.uuid ?? '';
    const fourth = records.beginJob({ ...orchardJob, cardRecordUuid: uuid });
    const stranger = records.beginJob({ ...orchardJob, cardRecordUuid: 'zzzzzzzz' });
    expect(records.listCards().map((card) => card.recordIds)).toEqual([
      [stranger],
      [third, fourth],
      [first, second],
    ]);
    expect(records.readCard(1)).toMatchObject({ port: 'mmc:0', sizeBytes: slotCard.sizeBytes });
    expect(records.readCard(99)).toBeNull();
  });
});

describe('a curve in the store', () => {
  it('comes back as it was given', () => {
    const records = open();
    const id = records.beginJob(orchardJob);
    const curve = [{ phase: 'write' as const, points: [{ elapsedMs: 200, doneBytes: 4_194_304 }] }];
    records.saveCurve(id, curve);
    expect(records.readCurve(id)).toEqual(curve);
    expect(() => records.saveCurve(99, curve)).toThrow(/no record 99/);
  });
});
