import { execFileSync } from 'node:child_process';
import { mkdirSync, statSync } from 'node:fs';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { finding } from '../../src/contract/finding.ts';
import type { Owner } from '../../src/records/record-types.ts';
import { isRecordUuid, newRecordUuid } from '../../src/records/record-uuid.ts';
import { migrations } from '../../src/records/schema.ts';
import { rfc8032Fingerprint, rfc8032Line } from '../identity/published-keys.ts';
import { describeWith } from '../lab/capabilities.ts';
import { openSample, orchardJob, readerCard, sampleMap, slotCard } from './sample.ts';
import { useWorkFolder } from './work-folder.ts';

const workFolder = useWorkFolder();
const newStore = () => join(workFolder(), 'records.db');

const codeOf = (act: () => unknown): string | null => {
  try {
    act();
    return null;
  } catch (error) {
    if (error instanceof CardwrightError) return error.code;
    throw error;
  }
};

const ed25519 = { publicKey: `${rfc8032Line} orchard-01`, fingerprint: rfc8032Fingerprint };
const rsa = {
  publicKey: 'ssh-rsa AAAAB3NzaC1yc2EAAAADAQABAAABgQ orchard-01',
  fingerprint: 'SHA256:invented',
};

describe('a record', () => {
  it('gives back everything that was put into it', () => {
    const path = newStore();
    const records = openSample(path);
    const id = records.beginJob(orchardJob);
    records.enterPhase(id, 'head-off');
    records.endPhase(id, 'head-off', { elapsedMs: 12.5, bytes: 2_097_152 });
    records.enterPhase(id, 'write');
    records.addFinding(
      id,
      finding('records.unknown-finding', 'note', { code: 'x', count: 3, flag: true, none: null }),
    );
    records.addKernelLines(id, ['sd 2:0:0:0: [sdb] Attached SCSI removable disk', 'second line']);
    records.saveImage(id, { ...orchardJob.image!, digestMapRoot: 'b'.repeat(64) });
    records.saveIdentity(id, {
      hostNames: ['orchard-01', '192.0.2.11'],
      hostKeys: [ed25519, rsa],
      identityFileSha256: 'c'.repeat(64),
    });
    records.saveThroughput(id, { write: [21.4, 20.9] });
    records.saveDigestMap(id, sampleMap(9));
    records.endPhase(id, 'write', { elapsedMs: 89_000, bytes: 1_873_805_312 });
    records.markSealing(id);
    records.markDone(id, { bytesReadBack: 1_873_805_312, sectorsRead: 3_659_776 });
    records.close();

    const view = openSample(path).readRecord(id)!;
    expect(view).toMatchObject({
      id: 1,
      kind: 'write',
      set: 'orchard',
      node: 'orchard-01',
      card: readerCard,
      image: { ...orchardJob.image, digestMapRoot: 'b'.repeat(64) },
      toolVersion: '0.1.0',
      state: 'done',
      cardState: 'done',
      code: null,
      phase: 'write',
      findings: [
        {
          code: 'records.unknown-finding',
          severity: 'note',
          facts: { code: 'x', count: 3, flag: true, none: null },
        },
      ],
      checks: [],
      bytesReadBack: 1_873_805_312,
      sectorsRead: 3_659_776,
      identity: {
        hostNames: ['orchard-01', '192.0.2.11'],
        hostKeys: [ed25519, rsa],
        identityFileSha256: 'c'.repeat(64),
      },
      kernelLines: ['sd 2:0:0:0: [sdb] Attached SCSI removable disk', 'second line'],
      throughput: { write: [21.4, 20.9] },
      settledByCheck: null,
    });
    expect(view.phases).toMatchObject([
      { phase: 'head-off', elapsedMs: 12.5, bytes: 2_097_152 },
      { phase: 'write', elapsedMs: 89_000, bytes: 1_873_805_312 },
    ]);
    expect(view.endedAtMs).toBeGreaterThan(view.begunAtMs);
    expect(isRecordUuid(view.uuid)).toBe(true);
    const again = openSample(path);
    expect(again.readByUuid(view.uuid)).toEqual(view);
    expect(again.readDigestMap(id)).toEqual(sampleMap(9));
    again.close();
  });

  it('has a number that never comes back, even when the row is gone', () => {
    const path = newStore();
    const records = openSample(path);
    expect([records.beginJob(orchardJob), records.beginJob(orchardJob)]).toEqual([1, 2]);
    records.close();
    const db = new Database(path);
    db.exec('DELETE FROM jobs WHERE id = 2');
    db.close();
    expect(openSample(path).beginJob(orchardJob)).toBe(3);
  });

  it('is refused steps that do not follow from its state', () => {
    const records = openSample(newStore());
    const id = records.beginJob(orchardJob);
    expect(codeOf(() => records.markDone(id, { bytesReadBack: 1, sectorsRead: null }))).toBe(
      'records.wrong-step',
    );
    records.markSealing(id);
    expect(codeOf(() => records.markSealing(id))).toBe('records.wrong-step');
    records.markFailed(id, 'records.io-failed', 'unconfirmed');
    expect(records.readRecord(id)).toMatchObject({
      state: 'failed',
      code: 'records.io-failed',
      cardState: 'unconfirmed',
    });
    for (const step of [
      () => records.markDone(id, { bytesReadBack: 1, sectorsRead: null }),
      () => records.markCancelled(id, 'unbootable'),
      () => records.settleUnconfirmed(id),
    ]) {
      expect(codeOf(step)).toBe('records.wrong-step');
    }
    expect(codeOf(() => records.endPhase(id, 'write', { elapsedMs: 1, bytes: 1 }))).toBe(
      'records.phase-not-entered',
    );
  });

  it('that does not exist is said, by every call that changes one', () => {
    const records = openSample(newStore());
    expect(records.readRecord(4)).toBeNull();
    expect(records.readDigestMap(4)).toBeNull();
    for (const act of [
      () => records.enterPhase(4, 'write'),
      () => records.addFinding(4, finding('records.busy', 'fail')),
      () => records.saveDigestMap(4, sampleMap(1)),
      () => records.markCancelled(4, 'untouched'),
      () => records.addCheck(4, { verdict: 'good', bytesReadBack: 0, findings: [] }),
      () => records.settleUnconfirmed(4),
    ]) {
      expect(codeOf(act)).toBe('records.no-such-record');
    }
  });

  it('with a finding of a later version still reads', () => {
    const path = newStore();
    const records = openSample(path);
    const id = records.beginJob(orchardJob);
    records.addFinding(id, { code: 'job.invented-later' as never, severity: 'fail', facts: {} });
    expect(records.readRecord(id)?.findings).toEqual([
      finding('records.unknown-finding', 'fail', { code: 'job.invented-later' }),
    ]);
  });
});

describe('an open job whose process is gone', () => {
  const owner: Owner = { pid: 4242, startTicks: 99, bootId: 'boot-a', pidNamespace: 'pid:[1]' };

  it('reads as interrupted or unconfirmed without being written to', () => {
    const path = newStore();
    let gone = false;
    const records = openSample(path, { owner, isGone: (of) => gone && of.pid === 4242 });
    const written = records.beginJob(orchardJob);
    records.enterPhase(written, 'head-off');
    records.endPhase(written, 'head-off', { elapsedMs: 1, bytes: 2 ** 21 });
    records.enterPhase(written, 'write');
    const sealing = records.beginJob(orchardJob);
    records.markSealing(sealing);
    const claimed = records.beginJob(orchardJob);
    records.enterPhase(claimed, 'claim');
    const cutting = records.beginJob(orchardJob);
    records.enterPhase(cutting, 'head-off');
    const standing = () => records.listRecords().map((r) => [r.id, r.state, r.cardState]);

    expect(standing()).toEqual([
      [cutting, 'running', null],
      [claimed, 'running', null],
      [sealing, 'sealing', null],
      [written, 'running', null],
    ]);
    gone = true;
    const settled = [
      [cutting, 'interrupted', 'unknown'],
      [claimed, 'interrupted', 'untouched'],
      [sealing, 'unconfirmed', 'unconfirmed'],
      [written, 'interrupted', 'unbootable'],
    ];
    expect(standing()).toEqual(settled);
    expect(records.listRecords({ states: ['unconfirmed'] }).map((r) => r.id)).toEqual([sealing]);
    gone = false;
    expect(records.readRecord(sealing)?.state).toBe('sealing');

    gone = true;
    expect(records.settleInterrupted().map((r) => r.id)).toEqual([written, sealing, claimed, cutting]);
    gone = false;
    expect(standing()).toEqual(settled);
    expect(records.settleInterrupted()).toEqual([]);
    expect(records.readRecord(written)?.endedAtMs).toBeNull();
  });

  it.each([true, false])('becomes done by a good check only (settled before: %s)', (settle) => {
    const records = openSample(newStore(), { owner, isGone: () => true });
    const id = records.beginJob(orchardJob);
    records.markSealing(id);
    if (settle) records.settleInterrupted();
    expect(codeOf(() => records.settleUnconfirmed(id))).toBe('records.no-good-check');
    records.addCheck(id, { verdict: 'good', bytesReadBack: 10, findings: [] });
    records.addCheck(id, {
      verdict: 'bad',
      bytesReadBack: 5,
      findings: [finding('records.damaged', 'fail', { path: 'p' })],
    });
    expect(codeOf(() => records.settleUnconfirmed(id))).toBe('records.no-good-check');
    expect(records.readRecord(id)).toMatchObject({ state: 'unconfirmed', findings: [] });
    const good = records.addCheck(id, { verdict: 'good', bytesReadBack: 77, findings: [] });
    records.settleUnconfirmed(id);
    const view = records.readRecord(id)!;
    expect(view).toMatchObject({ state: 'done', cardState: 'done', bytesReadBack: 77, settledByCheck: good });
    expect(view.checks.map((c) => [c.verdict, c.findings.length])).toEqual([
      ['good', 0],
      ['bad', 1],
      ['good', 0],
    ]);
    expect(codeOf(() => records.settleUnconfirmed(id))).toBe('records.wrong-step');
  });

  it('cannot be settled while its process lives', () => {
    const records = openSample(newStore());
    const id = records.beginJob(orchardJob);
    records.markSealing(id);
    records.addCheck(id, { verdict: 'good', bytesReadBack: 1, findings: [] });
    expect(codeOf(() => records.settleUnconfirmed(id))).toBe('records.wrong-step');
    expect(records.settleInterrupted()).toEqual([]);
  });
});

describe('looking records up', () => {
  it('lists newest first, by set, node, state and number', () => {
    const records = openSample(newStore());
    const first = records.beginJob(orchardJob);
    const second = records.beginJob({ ...orchardJob, node: 'orchard-02' });
    const third = records.beginJob({ ...orchardJob, set: null, node: null, image: null });
    records.markCancelled(first, 'untouched');
    const ids = (filter?: Parameters<typeof records.listRecords>[0]) =>
      records.listRecords(filter).map((r) => r.id);
    expect(ids()).toEqual([third, second, first]);
    expect(ids({ set: 'orchard' })).toEqual([second, first]);
    expect(ids({ set: 'orchard', node: 'orchard-01' })).toEqual([first]);
    expect(ids({ states: ['cancelled', 'failed'] })).toEqual([first]);
    expect(ids({ limit: 2 })).toEqual([third, second]);
    expect(ids({ limit: 0 })).toEqual([]);
    expect(records.readRecord(third)?.image).toBeNull();
  });

  it('finds the records of a card newest first and says how sure that is', () => {
    const records = openSample(newStore());
    const inSlot = records.beginJob({ ...orchardJob, card: slotCard });
    const inReader = records.beginJob(orchardJob);
    const sameReader = records.beginJob({ ...orchardJob, node: 'orchard-02' });
    const uuid = records.readRecord(inReader)!.uuid;
    const find = (card: Partial<Parameters<typeof records.findForCard>[0]>) =>
      records
        .findForCard({
          cid: null,
          serial: null,
          sizeBytes: readerCard.sizeBytes,
          port: null,
          identityUuid: null,
          ...card,
        })
        .map((r) => [r.id, r.matchedBy]);
    expect(find({ cid: '0353445343333247801234567801312F' })).toEqual([[inSlot, 'cid']]);
    // a controller that drops the CRC byte
    expect(find({ cid: '03534453433332478012345678013100' })).toEqual([[inSlot, 'cid']]);
    expect(find({ serial: readerCard.serial, identityUuid: uuid })).toEqual([
      [sameReader, 'serial'],
      [inReader, 'identity'],
    ]);
    expect(find({ identityUuid: uuid, sizeBytes: 1 })).toEqual([[inReader, 'identity']]);
    expect(find({ port: 'usb:1-2' })).toEqual([]);
    expect(find({})).toEqual([]);
  });
});

describe('the store on disk', () => {
  it('is made for its owner alone, with its companions', () => {
    const folder = join(workFolder(), 'deep', 'state');
    const before = process.umask(0);
    try {
      const records = openSample(join(folder, 'records.db'));
      records.beginJob(orchardJob);
      const mode = (path: string) => statSync(path).mode & 0o777;
      expect(mode(folder)).toBe(0o700);
      expect(mode(join(folder, '..'))).toBe(0o700);
      for (const name of ['records.db', 'records.db-wal', 'records.db-shm']) {
        expect([name, mode(join(folder, name))]).toEqual([name, 0o600]);
      }
      records.close();
    } finally {
      process.umask(before);
    }
  });

  it('leaves a folder that was there as it was', () => {
    const folder = join(workFolder(), 'shared');
    mkdirSync(folder, { mode: 0o755 });
    openSample(join(folder, 'records.db')).close();
    expect(statSync(folder).mode & 0o777).toBe(0o755);
  });
});

describeWith(['program:sqlite3'], 'the store, read by the sqlite3 shell', () => {
  it('passes its integrity and foreign-key checks and shows what was put in', () => {
    const path = newStore();
    const records = openSample(path);
    const id = records.beginJob({ ...orchardJob, card: slotCard });
    records.addCheck(id, { verdict: 'good', bytesReadBack: 1, findings: [finding('records.busy', 'note')] });
    records.saveDigestMap(id, sampleMap(300));
    const ask = (sql: string) => execFileSync('sqlite3', [path, sql], { encoding: 'utf8' }).trim();
    expect(ask('PRAGMA integrity_check')).toBe('ok');
    expect(ask('PRAGMA foreign_key_check')).toBe('');
    expect(ask('PRAGMA journal_mode')).toBe('wal');
    expect(ask('PRAGMA user_version')).toBe(`${migrations.length}`);
    expect(ask('SELECT id, node, state, card_cid, image_size_bytes FROM jobs')).toBe(
      '1|orchard-01|running|035344534333324780123456780131|1873805312',
    );
  });
});

describe('a record uuid', () => {
  it('is 12 characters without look-alikes, each of 32 equally likely', () => {
    expect(newRecordUuid(() => new Uint8Array(12))).toBe('000000000000');
    expect(newRecordUuid(() => Uint8Array.from({ length: 12 }, (_, at) => 31 - at))).toBe('ZYXWVTSRQPNM');
    const seen = new Set(Array.from({ length: 500 }, () => newRecordUuid()));
    expect(seen.size).toBe(500);
    for (const uuid of seen) expect(uuid).toMatch(/^[0-9A-HJKMNP-TV-Z]{12}$/);
  });
});
