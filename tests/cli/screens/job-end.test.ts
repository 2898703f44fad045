import { describe, expect, it } from 'vitest';
import { doneScreen, type FinishedCard } from '../../../src/cli/screens/done-screen.ts';
import { notDoneScreen } from '../../../src/cli/screens/not-done-screen.ts';
import { type VerifiedCard, verifyScreen } from '../../../src/cli/screens/verify-screen.ts';
import { plainSheet } from '../../../src/cli/text/sheet.ts';
import type { CardState } from '../../../src/contract/card-state.ts';
import { CardwrightError } from '../../../src/contract/cardwright-error.ts';
import { finding } from '../../../src/contract/finding.ts';
import { golden } from './golden.ts';
import { cardIdentity, goodResult, hostKey, imageBytes, layout } from './orchard.ts';

const finished: FinishedCard = {
  result: goodResult,
  node: 'orchard-02',
  slot: 'A2',
  image: 'node-os.img.xz',
  files: ['user-data', 'meta-data', 'network-config'],
  hostKeys: [hostKey],
  release: 'ejected',
};

const damage = [
  { offset: 1_207_959_552, length: 1_048_576, partition: 2 },
  { offset: 1_300_000_256, length: 4096, partition: 2 },
  { offset: 88_000_000, length: 512, partition: 0 },
];

const places = damage.map((range) => finding('job.damaged-range', 'fail', { ...range, where: '' }));

function mismatch(more = places) {
  return new CardwrightError('job.mismatch', {
    card: 'unbootable',
    facts: { places: more.length, bytes: 1_053_184, offset: 1_207_959_552, phase: 'verify' },
    findings: [finding('job.damage-stable', 'fail', { times: 3 }), ...more],
  });
}

describe('a card that is done', () => {
  it('is named, with what was proven and what to do now', () => {
    expect(golden((sheet) => doneScreen(finished, sheet))).toMatchInlineSnapshot(`
      "
      done      orchard-02 is on this card (record 14)
                STORAGE DEVICE, no serial in reader usb:1-2
                read back 1,873,805,312 bytes from the medium, all as written
                node files read back: user-data, meta-data, network-config
                written in 1 min 29 s at 21.1 MB/s · read back in 21 s at 89.0 MB/s
      host key  SHA256:bbXpuKG6zhzdmnxq256TlqzFBzRl2f6OOg722cYNbU8
      next      Safe to remove. Label it: orchard-02 · A2
      "
    `);
  });

  it('is named by its image where there is no plan, and has to be taken out where nothing ejects it', () => {
    const card = {
      ...finished,
      node: null,
      slot: null,
      files: [],
      hostKeys: [],
      release: 'take it out' as const,
    };
    expect(golden((sheet) => doneScreen(card, sheet))).toMatchInlineSnapshot(`
      "
      done      node-os.img.xz is on this card (record 14)
                STORAGE DEVICE, no serial in reader usb:1-2
                read back 1,873,805,312 bytes from the medium, all as written
                written in 1 min 29 s at 21.1 MB/s · read back in 21 s at 89.0 MB/s
      next      Take the card out now, before anything else opens it.
      "
    `);
  });

  it.each<CardState>(['untouched', 'unbootable', 'unconfirmed', 'unknown'])(
    'is never said of one that is %s',
    (state) => {
      const lines = doneScreen({ ...finished, result: { ...goodResult, card: state } }, plainSheet);
      expect(lines[0]).toMatch(/^not done /);
      expect(lines.join('\n')).not.toMatch(/^done|safe to remove/im);
    },
  );

  it('is never said of one with a finding that fails it', () => {
    const found = finding('media.counter-did-not-move', 'fail', { found: 0, expected: 3_659_776 });
    const lines = doneScreen({ ...finished, result: { ...goodResult, findings: [found] } }, plainSheet);
    expect(lines[0]).toMatch(/^not done /);
  });
});

describe('a card that is not done', () => {
  it('says where the damage lies, how it behaves, and what to do', () => {
    const failed = { error: mismatch(), identity: cardIdentity, node: 'orchard-02', recordId: 15, layout };
    expect(golden((sheet) => notDoneScreen(failed, sheet))).toMatchInlineSnapshot(`
      "
      not done  do not use this card (record 15)
      card      meant for orchard-02 · STORAGE DEVICE, no serial in reader usb:1-2
      what      Read back differs in 3 place(s), 1,053,184 bytes in all, the first at
                byte 1,207,959,552.
                Read again 3 times, the same wrong bytes each time: damaged cells, not
                a loose contact.
      where     byte 1,207,959,552: 1.05 MB, partition 2, 1.12 GB in
                byte 1,300,000,256: 4.10 kB, partition 2, 1.21 GB in
                byte 88,000,000: 512 bytes, outside the partitions
      while     reading everything back from the card
      now       the card has no partition table now and does not boot; do not use it
      code      job.mismatch · exit 6
      next      Try it once more in another reader; if it fails there too, throw the
                card away.
      "
    `);
  });

  it('that was pulled is not judged', () => {
    const error = new CardwrightError('media.gone', {
      card: 'unknown',
      facts: { offset: 412_876_800, errno: 'ENODEV', phase: 'write' },
    });
    const failed = { error, identity: cardIdentity, node: null, recordId: null, layout: [] };
    expect(golden((sheet) => notDoneScreen(failed, sheet))).toMatchInlineSnapshot(`
      "
      card lost do not use this card before it was read again
      card      STORAGE DEVICE, no serial in reader usb:1-2
      what      The card left its reader (ENODEV).
      while     writing the image
      now       what is on the card is not known until it is read again
      code      media.gone · exit 7
      next      Put the card back, run cardwright devices for its new code, and start
                the job anew.
      "
    `);
  });

  it('does not list thousands of places', () => {
    const many = Array.from({ length: 2000 }, () => places).flat();
    const failed = { error: mismatch(many), identity: cardIdentity, node: null, recordId: 15, layout };
    const lines = notDoneScreen(failed, plainSheet);
    expect(lines.length).toBeLessThan(25);
    expect(lines.join('\n')).toContain('and 5,992 more; the record lists them');
  });

  it.each<CardState>(['untouched', 'unbootable', 'unconfirmed', 'unknown'])(
    'ends with what to do next, after the exit status, when it is %s',
    (card) => {
      const error = new CardwrightError('media.flush-failed', { card, facts: { errno: 'EIO' } });
      const failed = { error, identity: cardIdentity, node: null, recordId: 15, layout };
      const labels = notDoneScreen(failed, plainSheet)
        .map((line) => line.slice(0, 10).trim())
        .filter((label) => label !== '');
      expect(labels.at(0)).toBe('not done');
      expect(labels.slice(-2)).toEqual(['code', 'next']);
    },
  );
});

describe('a card that was read again', () => {
  const base: VerifiedCard = {
    identity: cardIdentity,
    verdict: 'good',
    against: 'record 14',
    node: 'orchard-02',
    bytesReadBack: imageBytes,
    elapsedMs: 21_050,
    sectorsRead: 3_659_776,
    damage: [],
    layout,
    findings: [],
    card: 'done',
    settledRecord: 14,
  };

  it('is as it was made', () => {
    expect(golden((sheet) => verifyScreen(base, sheet))).toMatchInlineSnapshot(`
      "
      as made   every byte that was compared is as record 14 says
      card      orchard-02 · STORAGE DEVICE, no serial in reader usb:1-2
      read      1,873,805,312 bytes from the medium · 21 s at 89.0 MB/s
                the kernel counts 3,659,776 sectors
      now       the card is complete and was read back
      record    record 14 was unconfirmed and is settled: the card is done
      code      exit 0
      next      Nothing: the card can be used.
      "
    `);
  });

  it('or differs, and says where', () => {
    const error = mismatch();
    const findings = [finding('job.mismatch', 'fail', error.facts), ...error.findings];
    const card = { ...base, verdict: 'bad' as const, damage, findings, card: null, settledRecord: null };
    expect(golden((sheet) => verifyScreen(card, sheet))).toMatchInlineSnapshot(`
      "
      differs   this card is not what record 14 says
      card      orchard-02 · STORAGE DEVICE, no serial in reader usb:1-2
      read      1,873,805,312 bytes from the medium · 21 s at 89.0 MB/s
                the kernel counts 3,659,776 sectors
      wrong     Read back differs in 3 place(s), 1,053,184 bytes in all, the first at
                byte 1,207,959,552.
                Read again 3 times, the same wrong bytes each time: damaged cells, not
                a loose contact.
      where     byte 1,207,959,552: 1.05 MB, partition 2, 1.12 GB in
                byte 1,300,000,256: 4.10 kB, partition 2, 1.21 GB in
                byte 88,000,000: 512 bytes, outside the partitions
      code      exit 6
      next      Try it once more in another reader; if it fails there too, throw the
                card away.
      "
    `);
  });

  it('proves nothing when it was not read to the end', () => {
    const card = { ...base, verdict: 'unfinished' as const, sectorsRead: null, elapsedMs: 0, card: null };
    const lines = verifyScreen({ ...card, settledRecord: null }, plainSheet);
    expect(lines[0]).toBe('not known the card was not read to the end; nothing is proven about record 14');
    expect(lines.at(-1)).toBe('next      Run cardwright verify on this card again, to its end.');
  });
});
