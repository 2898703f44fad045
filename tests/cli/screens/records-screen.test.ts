import { describe, expect, it } from 'vitest';
import { identifyScreen } from '../../../src/cli/screens/identify-screen.ts';
import { recordScreen, recordsScreen } from '../../../src/cli/screens/records-screen.ts';
import { isAsForetold, rehearsalScreen } from '../../../src/cli/screens/rehearsal-screen.ts';
import { plainSheet } from '../../../src/cli/text/sheet.ts';
import { finding } from '../../../src/contract/finding.ts';
import type { RecordView } from '../../../src/records/record-types.ts';
import { rfc8032Line } from '../../identity/published-keys.ts';
import { golden } from './golden.ts';
import { cardIdentity, hostKey, imageBytes, imageFacts, photoCard } from './orchard.ts';

/** As the store gives it: the compiler holds the screens to that. */
const record: RecordView = {
  id: 14,
  uuid: 'k7qf9mxa',
  throughput: null,
  settledByCheck: null,
  batch: null,
  slot: null,
  cardId: 3,
  settings: null,
  kind: 'write',
  set: 'orchard',
  node: 'orchard-02',
  card: cardIdentity,
  image: {
    path: '/srv/images/node-os.img.xz',
    container: 'xz',
    digestMapRoot: null,
    packedSha256: imageFacts.packedSha256,
    sizeBytes: imageBytes,
  },
  state: 'done',
  cardState: 'done',
  code: null,
  begunAtMs: Date.UTC(2025, 10, 25, 9, 0),
  endedAtMs: Date.UTC(2025, 10, 25, 9, 2),
  phase: 'seal',
  phases: [
    { phase: 'probe', begunAtMs: 0, elapsedMs: 1800, bytes: 53_248 },
    { phase: 'write', begunAtMs: 0, elapsedMs: 88_800, bytes: imageBytes },
    { phase: 'verify', begunAtMs: 0, elapsedMs: 21_050, bytes: imageBytes },
    { phase: 'seal', begunAtMs: 0, elapsedMs: 400, bytes: null },
  ],
  findings: [],
  checks: [
    { id: 1, findings: [], atMs: Date.UTC(2025, 10, 26, 9), verdict: 'good', bytesReadBack: imageBytes },
  ],
  bytesReadBack: imageBytes,
  sectorsRead: 3_659_776,
  identity: {
    hostNames: ['orchard-05'],
    hostKeys: [{ publicKey: rfc8032Line, fingerprint: hostKey }],
    identityFileSha256: null,
  },
  cardMapRoot: imageFacts.packedSha256,
  kernelLines: ['usb 1-2: reset high-speed USB device number 4 using xhci_hcd'],
  toolVersion: '0.1.0',
};

const failed: RecordView = {
  ...record,
  id: 15,
  state: 'failed',
  cardState: 'unbootable',
  code: 'job.mismatch',
  phases: [{ phase: 'verify', begunAtMs: 0, elapsedMs: null, bytes: null }],
  findings: [
    finding('job.damage-dropped', 'fail', { times: 3 }),
    finding('job.damaged-range', 'fail', { offset: 8_388_608, length: 1_048_576, partition: 1, where: '' }),
  ],
  checks: [],
  bytesReadBack: null,
  sectorsRead: null,
  identity: { hostNames: [], hostKeys: [], identityFileSha256: null },
  cardMapRoot: null,
  kernelLines: [],
};

const options = { nowMs: Date.UTC(2025, 10, 26), timeZone: 'UTC' };

describe('the records', () => {
  it('stand one a line, and say which card needs a look', () => {
    const list: RecordView[] = [
      { ...record, id: 16, node: 'orchard-03', state: 'unconfirmed', cardState: 'unconfirmed' },
      failed,
      record,
      { ...record, id: 9, node: 'orchard-05', begunAtMs: Date.UTC(2024, 10, 3), card: photoCard },
    ];
    expect(golden((sheet) => recordsScreen(list, sheet), options)).toMatchInlineSnapshot(`
      "
      record  began       node        state        reader   card
          16  25 Nov      orchard-03  unconfirmed  usb:1-2  STORAGE DEVICE, no serial
          15  25 Nov      orchard-02  failed       usb:1-2  STORAGE DEVICE, no serial
          14  25 Nov      orchard-02  done         usb:1-2  STORAGE DEVICE, no serial
           9  3 Nov 2024  orchard-05  done         mmc:0    SC32G 0x12345678
      next      Run cardwright verify on the card of record 16 to settle it.
      "
    `);
    expect(recordsScreen([], { ...plainSheet, ...options })).toEqual([
      'There are no records yet: no card was written from here.',
    ]);
  });

  it('show one of them whole', () => {
    expect(golden((sheet) => recordScreen(record, sheet), options)).toMatchInlineSnapshot(`
      "
      done      record 14 is done · orchard-02 of orchard · image written
      card      STORAGE DEVICE, no serial · reader usb:1-2 · 31,914,983,424 bytes
      image     /srv/images/node-os.img.xz · 1.87 GB on the card
      sha256    ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad
                of the file as stored
      began     25 Nov 2025, 09:00 · ended 25 Nov 2025, 09:02
      phase         time          bytes       rate
      probe          2 s         53,248  29.6 kB/s
      write   1 min 29 s  1,873,805,312  21.1 MB/s
      verify        21 s  1,873,805,312  89.0 MB/s
      seal     under 1 s
      read back 1,873,805,312 bytes · the kernel counts 3,659,776 sectors
      host key  SHA256:bbXpuKG6zhzdmnxq256TlqzFBzRl2f6OOg722cYNbU8 · ssh-ed25519
      digest    ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad
                over all digests of the card as it left us
      checks    26 Nov 2025, 09:00: as made, 1,873,805,312 bytes read
      kernel    usb 1-2: reset high-speed USB device number 4 using xhci_hcd
      made by   cardwright 0.1.0
      now       the card is complete and was read back
      next      Nothing: to see whether the card still is as it was made, run
                cardwright verify on it.
      "
    `);
  });

  it('show what failed, and where', () => {
    expect(golden((sheet) => recordScreen(failed, sheet), options)).toMatchInlineSnapshot(`
      "
      failed    record 15 failed · orchard-02 of orchard · image written
      card      STORAGE DEVICE, no serial · reader usb:1-2 · 31,914,983,424 bytes
      image     /srv/images/node-os.img.xz · 1.87 GB on the card
      sha256    ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad
                of the file as stored
      began     25 Nov 2025, 09:00 · ended 25 Nov 2025, 09:02
      phase        time  bytes  rate
      verify  not ended
      read back nothing was read back
      wrong     The places that differ read as zeros, 3 times out of 3: the card said
                "written" and wrote nothing.
      where     byte 8,388,608: 1.05 MB, partition 1
      made by   cardwright 0.1.0
      code      job.mismatch
      now       the card has no partition table now and does not boot; do not use it
      next      Throw this card away: it can no longer be written everywhere, and does
                not say so.
      "
    `);
  });

  it.each([
    ['running', null, 'Wait until the job has ended.'],
    ['sealing', 'unconfirmed', 'Run cardwright verify on this card before you use it.'],
    ['unconfirmed', 'unconfirmed', 'Run cardwright verify on this card before you use it.'],
    ['interrupted', 'unbootable', 'Start the job anew; until then do not use this card.'],
    ['cancelled', 'unbootable', 'Start the job anew; until then do not use this card.'],
  ] as const)('a record that is %s ends with what to do', (state, cardState, next) => {
    const lines = recordScreen({ ...record, state, cardState }, { ...plainSheet, ...options });
    expect(lines.at(-1)).toBe(`next      ${next}`);
  });
});

describe('which card is this', () => {
  const known = {
    node: 'orchard-05',
    set: 'orchard',
    image: 'node-os.img.xz',
    recordId: 9,
    writtenAtMs: Date.UTC(2025, 10, 3, 14, 5),
    state: 'done' as const,
    hostKeys: [hostKey],
    matchedBy: 'identity' as const,
  };
  const onTheCard = {
    set: 'orchard',
    node: 'orchard-05',
    record: 'a2b5c1d0-0000-4000-8000-000000000009',
    imageSha256: null,
    tool: '0.1.0',
    writtenAt: '2025-11-03T14:05:00.000Z',
  };
  const files = [
    { path: 'user-data', state: 'as-written' as const },
    { path: 'meta-data', state: 'as-written' as const },
  ];
  const card = {
    identity: cardIdentity,
    contents: ['BOOT (vfat, 512 MB)'],
    findings: [],
    onTheCard,
    origin: 'ours' as const,
    files,
  };

  it('is answered with the evidence', () => {
    expect(
      golden((sheet) => identifyScreen({ ...card, known: [known] }, sheet), options),
    ).toMatchInlineSnapshot(`
      "
      known     this is orchard-05 of orchard (record 9)
      card      STORAGE DEVICE, no serial in reader usb:1-2 · 31.9 GB
      on it     BOOT (vfat, 512 MB)
      known by  the record number written on the card
      written   3 Nov 2025, 14:05 · from node-os.img.xz
      host key  SHA256:bbXpuKG6zhzdmnxq256TlqzFBzRl2f6OOg722cYNbU8
      state     when its job ended: the card is complete and was read back
      made by   this station: the identity file is the one that the record knows
      files     2 files as written
      next      To see whether it still is as it was made, run cardwright verify on
                it.
      "
    `);
  });

  it.each(['serial', 'place'] as const)('is only a guess by %s', (matchedBy) => {
    const lines = identifyScreen({ ...card, known: [{ ...known, matchedBy }] }, plainSheet);
    expect(lines[0]).toBe('perhaps   this may be orchard-05 of orchard (record 9)');
    expect(lines.join('\n')).not.toContain('this is orchard-05');
    expect(lines.join('\n')).toContain('Do not rely on this');
  });

  it('may have no answer', () => {
    const blank = { ...card, contents: null, onTheCard: null, origin: null, files: null };
    const lines = identifyScreen({ ...blank, known: [] }, plainSheet);
    expect(lines[0]).toBe('unknown   no record speaks of this card');
    expect(lines.join('\n')).toContain('could not be read');
  });

  it('is what the card says, where no record of it is here', () => {
    const lines = identifyScreen({ ...card, known: [], origin: 'not-ours' }, { ...plainSheet, ...options });
    expect(lines[0]).toBe('perhaps   this card says that it is orchard-05 of orchard, and no record here');
    expect(lines.join('\n')).toContain('made by   another station, or one whose records are not here');
  });

  it('is no fact where the identity file or the files were altered', () => {
    const altered = { path: 'meta-data', state: 'changed' as const };
    const gone = { path: 'network-config', state: 'gone' as const };
    const sheet = { ...plainSheet, ...options };
    const lines = identifyScreen(
      { ...card, known: [known], origin: 'altered', files: [files[0] ?? altered, altered, gone] },
      sheet,
    );
    expect(lines[0]).toBe('perhaps   this may be orchard-05 of orchard (record 9)');
    const text = lines.join('\n');
    expect(text).toContain(
      'files     1 file as written\n          changed: meta-data\n          gone: network-config',
    );
    expect(text).toContain('next      Somebody changed its files since.');
  });
});

describe('a rehearsal', () => {
  const node = (n: number, over = {}) => ({
    node: `orchard-0${n}`,
    card: `reader ${n}, 31.9 GB`,
    fault: null,
    state: 'done' as const,
    foretold: 'done' as const,
    code: null,
    foretoldCode: null,
    elapsedMs: 4900,
    bytesPerSecond: 410e6,
    recordId: n,
    ...over,
  });
  const dropping = node(2, {
    fault: 'writes dropped from byte 8,388,608 on',
    state: 'unbootable',
    foretold: 'unbootable',
    code: 'job.mismatch',
    foretoldCode: 'job.mismatch',
  });

  it('says that every card ended as foretold', () => {
    expect(golden((sheet) => rehearsalScreen([node(1), dropping], sheet))).toMatchInlineSnapshot(`
      "
      node        card               result    foretold  time      rate  record
      orchard-01  reader 1, 31.9 GB  done      done       5 s  410 MB/s       1
      orchard-02  reader 2, 31.9 GB  not done  not done   5 s  410 MB/s       2
          fault     writes dropped from byte 8,388,608 on
          ended by  job.mismatch

      All 2 cards ended as foretold. No card and no disk was written: this was a
      rehearsal.
      "
    `);
  });

  it('says which one did not', () => {
    const surprising = node(3, {
      fault: 'the card vanishes',
      foretold: 'unknown',
      foretoldCode: 'media.gone',
      bytesPerSecond: null,
      recordId: null,
    });
    expect(golden((sheet) => rehearsalScreen([node(1), surprising], sheet))).toMatchInlineSnapshot(`
      "
      node        card               result  foretold  time      rate  record
      orchard-01  reader 1, 31.9 GB  done    done       5 s  410 MB/s       1
      orchard-03  reader 3, 31.9 GB  done    not done   5 s              none
          fault     the card vanishes
          expected  media.gone

      1 of 2 cards did not end as foretold: do not write real cards before that is
      understood.
      "
    `);
  });

  it('takes the same state by another code for a surprise', () => {
    expect(isAsForetold(dropping)).toBe(true);
    expect(isAsForetold({ ...dropping, code: 'media.write-failed' })).toBe(false);
  });
});
