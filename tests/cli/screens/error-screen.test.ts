import { describe, expect, it } from 'vitest';
import { endWords, errorScreen } from '../../../src/cli/screens/error-screen.ts';
import { labelColumns, plainSheet } from '../../../src/cli/text/sheet.ts';
import { CardwrightError } from '../../../src/contract/cardwright-error.ts';
import { exitStatus } from '../../../src/contract/exit-status.ts';
import { finding } from '../../../src/contract/finding.ts';
import { golden } from './golden.ts';
import { judged } from './orchard.ts';

describe('an error', () => {
  it('says what happened, by what evidence, what the card is, and what to do', () => {
    const error = new CardwrightError('job.disk-refused', {
      card: 'untouched',
      facts: { node: '/dev/nvme0n1', reader: 'nvme0n1' },
      findings: judged[0]!.result.findings,
    });
    expect(golden((sheet) => errorScreen(error, sheet))).toMatchInlineSnapshot(`
      "
      refused   /dev/nvme0n1 in nvme0n1 must not be written.
      because   nvme0n1 is in use: it holds / through nvme0n1p2 → luks → vg0-root, and
                that is no place where cards are mounted.
                nvme0n1 is in use: it holds swap (/dev/dm-1) through vg0-swap.
                nvme0n1 is an NVMe disk, a fixed disk of this machine.
      card      nothing was written to the card
      code      job.disk-refused · exit 3
      next      Look at the reasons; cardwright devices lists every disk. Nothing was
                opened for writing.
                If the system needs it, choose another disk. If it is a card you
                mounted there yourself, unmount / and try again.
      "
    `);
  });

  it('lists several mistakes, each where it stands', () => {
    const error = new CardwrightError('usage.bad-value', {
      facts: { option: '--plan', value: 'orchard.yaml', expected: 'a plan without mistakes' },
      findings: [
        finding('usage.missing-argument', 'fail', {
          argument: 'The name of the node',
          command: 'plan',
          file: 'orchard.yaml',
          line: 12,
          column: 5,
        }),
        finding('usage.bad-value', 'fail', {
          option: 'address',
          value: '192.0.2.300/24',
          expected: 'an address with its prefix, as in 192.0.2.11/24',
          file: 'orchard\n.yaml',
          line: 14,
          column: 30,
        }),
      ],
    });
    expect(golden((sheet) => errorScreen(error, sheet))).toMatchInlineSnapshot(`
      "
      mistake   --plan cannot be orchard.yaml: expected a plan without mistakes.
        orchard.yaml:12:5: The name of the node is missing. For the form, run
          cardwright plan --help; nothing was done. (usage.missing-argument)
        orchard\\x0a.yaml:14:30: address cannot be 192.0.2.300/24: expected an
          address with its prefix, as in 192.0.2.11/24. Give address another value;
          nothing was done. (usage.bad-value)
      code      usage.bad-value · exit 2
      next      Give --plan another value; nothing was done.
      "
    `);
  });

  it('tells what lay beneath, once', () => {
    const root = new Error('no more processes\u001b[2J');
    const error = new CardwrightError('job.worker-not-started', {
      facts: { how: 'spawn EAGAIN' },
      cause: new Error('spawn EAGAIN', { cause: root }),
    });
    expect(golden((sheet) => errorScreen(error, sheet))).toMatchInlineSnapshot(`
      "
      error     The process that works on the card could not be started: spawn EAGAIN.
      cause     spawn EAGAIN
                no more processes\\x1b[2J
      code      job.worker-not-started · exit 1
      next      Report this as a fault of the program or of its installation.
      "
    `);
  });

  it('about damage says where it lies, and gives the one piece of advice that fits', () => {
    const error = new CardwrightError('job.mismatch', {
      facts: { places: 1, bytes: 512, offset: 8_388_608 },
      card: 'unbootable',
      findings: [
        finding('job.damage-wrapped', 'fail'),
        finding('job.damaged-range', 'fail', { offset: 8_388_608, length: 512, partition: 1, where: '' }),
      ],
    });
    expect(golden((sheet) => errorScreen(error, sheet))).toMatchInlineSnapshot(`
      "
      not done  Read back differs in 1 place(s), 512 bytes in all, the first at byte
                8,388,608.
      wrong     The places that differ hold what was written elsewhere: the card
                starts over at its real size.
      where     byte 8,388,608: 512 bytes, partition 1
      card      the card has no partition table now and does not boot; do not use it
      code      job.mismatch · exit 6
      next      Throw this card away: it is smaller than it says, and loses data
                without a word.
      "
    `);
  });

  it('follows causes no further than it should', () => {
    const loop = new Error('round and round');
    loop.cause = loop;
    const lines = errorScreen(
      new CardwrightError('usage.unexpected', { facts: { reason: 'x' }, cause: loop }),
      plainSheet,
    );
    expect(lines.filter((line) => line.includes('round and round'))).toHaveLength(1);
  });

  it('has a word for every exit status that fits before it', () => {
    expect(Object.keys(endWords).toSorted()).toEqual(Object.keys(exitStatus).toSorted());
    for (const { word } of Object.values(endWords)) expect(word.length).toBeLessThan(labelColumns);
  });
});
