import { describe, expect, it } from 'vitest';
import { inspectScreen } from '../../../src/cli/screens/inspect-screen.ts';
import { plainSheet } from '../../../src/cli/text/sheet.ts';
import { finding } from '../../../src/contract/finding.ts';
import { carriedBy } from '../../../src/identity/what-is-carried.ts';
import { golden } from './golden.ts';
import { imageFacts, nocloud } from './orchard.ts';

describe('what is in an image', () => {
  it('is told from the container to the first boot', () => {
    expect(golden((sheet) => inspectScreen(imageFacts, nocloud, sheet))).toMatchInlineSnapshot(`
      "
      image     This image can be written to a card of 1.87 GB or more.
      file      images/node-os.img.xz · packed with xz
      size      486 MB packed · 1.87 GB on the card · 1,873,805,312 bytes
                as the container says
      sha256    ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad
                of the file as stored
      shape     a partitioned disk
      table     MBR · identifier 12345678 · laid out for sectors of 512 bytes
      part  starts at     size  holds  label  active  type
         1    4.19 MB  83.9 MB  fat32  BOOT   yes     0c
         2    88.1 MB  1.79 GB  ext4   root           83
      boot      partition 1 · fat32 · BOOT · 83.9 MB
      boots by  NoCloud, by files in the boot volume · seen by user-data, meta-data
                carries host name, domain, authorized keys, password, sudo, network,
                wireless, host keys, time zone, locale, files on the node, commands
      "
    `);
  });

  it('is told without a table, a boot volume or a mechanism', () => {
    const facts = {
      ...imageFacts,
      path: 'bare.img',
      container: 'raw' as const,
      packedBytes: 67_108_864,
      sizeBytes: 67_108_864,
      shape: 'bare' as const,
      table: null,
      volumes: [{ partition: 0, startByte: 0, sizeBytes: 67_108_864, type: 'ext4', label: null }],
      bootVolume: null,
      packedSha256: null,
    };
    const none = {
      mechanism: 'none' as const,
      evidence: [],
      carries: carriedBy('none'),
      because: {},
      reason: 'there is no FAT volume',
      remarks: [],
    };
    expect(golden((sheet) => inspectScreen(facts, none, sheet))).toMatchInlineSnapshot(`
      "
      image     This image can be written to a card of 67.1 MB or more.
      file      bare.img · not packed
      size      67.1 MB on the card · 67,108,864 bytes · the size of the file
      shape     one file system without a partition table
      volume    ext4 · no label · 67.1 MB
      boot      no FAT volume: nothing can be put into this image for the first boot
      boots by  none that is known: a card from this image cannot be given a name or
                keys
                cannot carry host name, domain, authorized keys, password, sudo,
                network, wireless, host keys, time zone, locale, files on the node,
                commands
                There is no FAT volume.
      "
    `);
  });

  it('keeps type GUIDs and long names out of the table', () => {
    const [first] = imageFacts.table!.partitions;
    const type = 'C12A7328-F81F-11D2-BA4B-00A0C93EC93B';
    const table = {
      ...imageFacts.table!,
      kind: 'gpt' as const,
      diskId: '01234567-89AB-CDEF-0123-456789ABCDEF',
      partitions: [{ ...first!, type, name: 'EFI System Partition of the orchard nodes' }],
    };
    expect(
      golden((sheet) => inspectScreen({ ...imageFacts, table, volumes: [] }, null, sheet)),
    ).toMatchInlineSnapshot(`
      "
      image     This image can be written to a card of 1.87 GB or more.
      file      images/node-os.img.xz · packed with xz
      size      486 MB packed · 1.87 GB on the card · 1,873,805,312 bytes
                as the container says
      sha256    ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad
                of the file as stored
      shape     a partitioned disk
      table     GPT · identifier 01234567-89AB-CDEF-0123-456789ABCDEF
                laid out for sectors of 512 bytes
      part  starts at     size  holds    label                            active  type
         1    4.19 MB  83.9 MB  unknown  EFI System Partition of the or…  yes
          label     EFI System Partition of the orchard nodes
          type      C12A7328-F81F-11D2-BA4B-00A0C93EC93B
      boot      partition 1 · fat32 · BOOT · 83.9 MB
      "
    `);
  });

  it('says first that an image is rejected, and why', () => {
    const findings = [
      finding('volume.damaged', 'fail', { why: 'the table of clusters ends too early' }),
      finding('volume.dirty', 'note', { where: 'partition 1' }),
    ];
    expect(
      golden((sheet) => inspectScreen({ ...imageFacts, findings }, nocloud, sheet)),
    ).toMatchInlineSnapshot(`
      "
      rejected  This image is not written to any card.
      file      images/node-os.img.xz · packed with xz
      size      486 MB packed · 1.87 GB on the card · 1,873,805,312 bytes
                as the container says
      sha256    ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad
                of the file as stored
      shape     a partitioned disk
      table     MBR · identifier 12345678 · laid out for sectors of 512 bytes
      part  starts at     size  holds  label  active  type
         1    4.19 MB  83.9 MB  fat32  BOOT   yes     0c
         2    88.1 MB  1.79 GB  ext4   root           83
      boot      partition 1 · fat32 · BOOT · 83.9 MB
      boots by  NoCloud, by files in the boot volume · seen by user-data, meta-data
                carries host name, domain, authorized keys, password, sudo, network,
                wireless, host keys, time zone, locale, files on the node, commands
      wrong     The boot volume is damaged: the table of clusters ends too early.
      note      The boot volume was not closed cleanly before the image was made
                (partition 1).
      next      Repair a copy of the image with fsck.vfat, or fetch the image again
                and compare its checksum.
      "
    `);
  });

  it('promises no size that it does not know', () => {
    const facts = { ...imageFacts, sizeBytes: null, sizeFrom: 'unknown' as const };
    const text = inspectScreen(facts, null, plainSheet).join('\n');
    expect(text).toContain('size on the card not known yet');
    expect(text).not.toContain('can be written');
  });

  it('names the member of a zip, and the counting of a size', () => {
    const facts = {
      ...imageFacts,
      container: 'zip' as const,
      memberName: 'node-os\u001b.img',
      sizeFrom: 'decoded' as const,
    };
    const text = inspectScreen(facts, null, plainSheet).join('\n');
    expect(text).toContain('packed in a zip archive');
    expect(text).toContain('holds node-os\\x1b.img');
    expect(text).toContain('counted by unpacking all of it');
  });
});
