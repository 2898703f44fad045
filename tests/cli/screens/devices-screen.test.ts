import { describe, expect, it } from 'vitest';
import { approvalQuestion, cardScreen } from '../../../src/cli/screens/card-screen.ts';
import { cardName, contentsOf, readerName, wearPhrases } from '../../../src/cli/screens/card-words.ts';
import { devicesScreen } from '../../../src/cli/screens/devices-screen.ts';
import { colourInk } from '../../../src/cli/text/ink.ts';
import { plainSheet } from '../../../src/cli/text/sheet.ts';
import { finding } from '../../../src/contract/finding.ts';
import { golden } from './golden.ts';
import { cardIdentity, graph, judged, photoCard, stationDisk, wornModule } from './orchard.ts';

const loop = {
  disk: { ...cardIdentity, name: 'loop0', node: '/dev/loop0', kind: 'loop' as const, port: null },
  result: {
    verdict: 'refused' as const,
    findings: [finding('guard.loop-not-named', 'refuse', { disk: 'loop0', kind: 'a loop device' })],
  },
  code: null,
  lastWritten: null,
};

describe('the list of disks', () => {
  it('shows the verdict, the code, and why', () => {
    expect(golden((sheet) => devicesScreen(graph, judged, sheet))).toMatchInlineSnapshot(`
      "
      reader          card                          size  verdict         code
      usb:1-2         STORAGE DEVICE, no serial  31.9 GB  may be written  K7QF
          on it     BOOT (vfat, 512 MB) · unnamed (ext4, 31.4 GB)
          written   by us, 3 Nov as orchard-05 (record 9)
          node      /dev/sdb

      mmc:0           SC32G 0x12345678           31.9 GB  needs consent   9MXA
          asks      mmcblk0 is mounted: mmcblk0p1 (vfat) at /media/grower/PHOTOS.
                    mmcblk0 looks like somebody’s archive: mmcblk0p1 holds PHOTOS
                    (vfat).
          on it     PHOTOS (vfat, 31.9 GB, 412 files) at /media/grower/PHOTOS
          node      /dev/mmcblk0
          next      Close what you have open there; with --unmount and the code it is
                    unmounted before writing.
                    If all of it may be lost, type the code and the name together:
                    CODE:PHOTOS.

      nvme0n1         SSD 512GB S0000001          512 GB  refused
          because   nvme0n1 is in use: it holds / through nvme0n1p2 → luks → vg0-root,
                    and that is no place where cards are mounted.
                    nvme0n1 is in use: it holds swap (/dev/dm-1) through vg0-swap.
                    nvme0n1 is an NVMe disk, a fixed disk of this machine.
          on it     EFI (vfat, 537 MB) · unnamed (crypto_LUKS, 512 GB)
          unseen    open descriptors of other processes (EACCES)
          node      /dev/nvme0n1
          next      If the system needs it, choose another disk. If it is a card you
                    mounted there yourself, unmount / and try again.

      mmc:1           DG4032 0xa1b2c3d4          31.3 GB  refused
          because   mmcblk1 is an eMMC module of this machine’s own board.
          on it     nothing that is recognized
          wear      area A: 10 to 20 % of its rated life used
                    area B: past its rated life · spare blocks: 80 % used up
          node      /dev/mmcblk1
          next      If it is meant to be written, have its CID put under allowDevices
                    in the policy.

      usb:1-3 slot 1                                      no card
      usb:2-1                                             module waits
          it is     A module is waiting in boot mode at usb:2-1 (0a5c:2711): it shows
                    no disk yet.
          next      Start its maker's USB boot program; then its storage appears.

      2 may be written, 1 of them only with your consent, 2 refused. Nothing here is
      opened for writing until you type a code.
      "
    `);
  });

  it('says what it does not list, and lists it when asked', () => {
    const few = devicesScreen({ ...graph, emptyReaders: [] }, [loop], plainSheet);
    expect(few.join('\n')).toMatchInlineSnapshot(`
      "There is no card and no reader to show.

      0 may be written, 1 refused (1 of these not listed: --all). Nothing here is
      opened for writing until you type a code."
    `);
    const all = devicesScreen({ ...graph, emptyReaders: [] }, [loop], { ...plainSheet, all: true });
    expect(all.join('\n')).toContain('loop0');
    expect(all.join('\n')).not.toContain('--all');
  });

  it('says what could not be seen of the machine', () => {
    const blind = {
      ...graph,
      emptyReaders: [],
      unseen: [{ what: 'the mounts of process 1', why: 'EACCES', decides: true }],
      untraced: ['0:27 (/ as overlay)'],
    };
    expect(golden((sheet) => devicesScreen(blind, [], sheet))).toMatchInlineSnapshot(`
      "
      No disk and no reader was found.
      unseen    the mounts of process 1 (EACCES)
      untraced  The running system uses 0:27 (/ as overlay), and on which disk that
                lies could not be found.

      0 may be written, 0 refused. Nothing here is opened for writing until you type a
      code.
      "
    `);
  });

  it('obeys nothing that a card says of itself', () => {
    const forged = {
      ...cardIdentity,
      vendor: '\u001b[2J\u001b[H',
      model: 'DISK\r\nnvme0n1  may be written',
      signatures: [{ ...cardIdentity.signatures![0]!, label: '\u202eTOOB', type: 'vf\u0007at' }],
    };
    const one = { ...judged[1]!, disk: forged };
    expect(
      golden((sheet) => devicesScreen({ ...graph, emptyReaders: [] }, [one], sheet)),
    ).toMatchInlineSnapshot(`
      "
      reader   card                                         size  verdict         code
      usb:1-2  \\x1b[2J\\x1b[H DISK\\x0d\\x0anvme0n1  may …  31.9 GB  may be written  K7QF
          card      \\x1b[2J\\x1b[H DISK\\x0d\\x0anvme0n1  may be written, no serial
          on it     \\u{202e}TOOB (vf\\x07at, 512 MB)
                    partition 2 (nothing recognized, 31.4 GB)
          written   by us, 3 Nov as orchard-05 (record 9)
          node      /dev/sdb

      1 may be written, 0 refused. Nothing here is opened for writing until you type a
      code.
      "
    `);
  });
});

describe('the question before a card is written', () => {
  it('names the card and what will be lost', () => {
    const card = { ...judged[1]!, code: 'K7QF', volumeName: null, losesAll: true };
    expect(golden((sheet) => cardScreen(card, sheet))).toMatchInlineSnapshot(`
      "
      card      STORAGE DEVICE, no serial · in reader usb:1-2 · 31.9 GB · /dev/sdb
      lost      BOOT (vfat, 512 MB) · unnamed (ext4, 31.4 GB)
                all of this will be lost
      written   by us, 3 Nov as orchard-05 (record 9)
      "
    `);
    expect(approvalQuestion(card, plainSheet)).toEqual([
      'approve   type K7QF to go on, anything else to stop: ',
    ]);
  });

  it("asks for the volume's name where the card looks like somebody's archive", () => {
    const card = { ...judged[2]!, code: '9MXA', volumeName: 'PHOTOS', losesAll: true };
    expect(golden((sheet) => cardScreen(card, sheet))).toMatchInlineSnapshot(`
      "
      card      SC32G 0x12345678 · in reader mmc:0 · 31.9 GB · /dev/mmcblk0
      lost      PHOTOS (vfat, 31.9 GB, 412 files) at /media/grower/PHOTOS
                all of this will be lost
      asks      mmcblk0 is mounted: mmcblk0p1 (vfat) at /media/grower/PHOTOS.
                mmcblk0 looks like somebody’s archive: mmcblk0p1 holds PHOTOS (vfat).
      "
    `);
    expect(approvalQuestion(card, plainSheet)).toEqual([
      'approve   type 9MXA:PHOTOS to go on, anything else to stop: ',
    ]);
  });

  it('says when files are only added, and breaks a question that is too long', () => {
    const card = { ...judged[1]!, code: 'K7QF', volumeName: null, losesAll: false };
    expect(cardScreen(card, plainSheet).join('\n')).toContain('the node files are replaced, the rest stays');
    expect(approvalQuestion({ code: 'K7QF', volumeName: 'a'.repeat(40) }, plainSheet)).toEqual([
      'approve   type',
      `          K7QF:${'a'.repeat(40)}`,
      '          to go on, anything else to stop: ',
    ]);
    expect(approvalQuestion(card, { ...plainSheet, ink: colourInk }).length).toBe(1);
  });

  it('does not pretend to know what it could not read', () => {
    const card = {
      ...judged[1]!,
      disk: { ...cardIdentity, signatures: null },
      code: 'K7QF',
      volumeName: null,
    };
    expect(cardScreen({ ...card, losesAll: true }, plainSheet).join('\n')).toContain(
      'what is on it could not be read',
    );
  });
});

describe('words for a card', () => {
  it.each([
    [cardIdentity, 'STORAGE DEVICE, no serial', 'usb:1-2'],
    [photoCard, 'SC32G 0x12345678', 'mmc:0'],
    [stationDisk, 'SSD 512GB S0000001', 'nvme0n1'],
    [{ ...cardIdentity, vendor: null, model: null, lun: 1 }, 'unnamed card, no serial', 'usb:1-2 slot 1'],
    [{ ...cardIdentity, vendor: ' ', model: null, serial: '77', port: null }, 'unnamed 77', 'sdb'],
  ])('%#', (identity, name, reader) => {
    expect(cardName(identity)).toBe(name);
    expect(readerName(identity)).toBe(reader);
  });

  it('name what is on it, mounted or not, recognized or not', () => {
    expect(contentsOf(photoCard)).toEqual(['PHOTOS (vfat, 31.9 GB, 412 files) at /media/grower/PHOTOS']);
    expect(contentsOf({ ...cardIdentity, signatures: [] })).toEqual([
      'partition 1 (nothing recognized, 512 MB)',
      'partition 2 (nothing recognized, 31.4 GB)',
    ]);
    expect(contentsOf({ ...cardIdentity, partitions: [], signatures: [] })).toEqual([
      'nothing that is recognized',
    ]);
    const bare = { on: 'sdb', type: 'ext4', usage: null, label: null, uuid: null, tableType: null };
    expect(contentsOf({ ...cardIdentity, partitions: [], signatures: [bare] })).toEqual([
      'unnamed (ext4, 31.9 GB)',
    ]);
    const empty = { ...bare, type: null, tableType: 'gpt' };
    expect(contentsOf({ ...cardIdentity, partitions: [], signatures: [empty] })).toEqual([
      'a partition table (gpt), no partition seen',
    ]);
    expect(contentsOf({ ...cardIdentity, signatures: null })).toEqual([]);
  });

  /** JEDEC JESD84-B51: DEVICE_LIFE_TIME_EST 0x01 is 0 to 10 %, 0x0B "exceeded"; PRE_EOL_INFO 0x02 is 80 %. From memory. */
  it('tell the wear as the module does', () => {
    expect(wearPhrases(wornModule.wear!)).toEqual([
      'area A: 10 to 20 % of its rated life used',
      'area B: past its rated life',
      'spare blocks: 80 % used up',
    ]);
    expect(wearPhrases({ lifeTimeA: 0, lifeTimeB: null, preEndOfLife: 1 })).toEqual(['spare blocks: normal']);
  });
});
