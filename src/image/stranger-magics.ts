import { startsWith } from './byte-view.ts';

interface Magic {
  at: number;
  bytes: Uint8Array | string;
  kind: string;
}

const hex = (digits: string) => Buffer.from(digits, 'hex');

/** Magics of things that get mistaken for images, from their public format descriptions (libmagic knows them all). */
const headMagics: readonly Magic[] = [
  { at: 257, bytes: 'ustar', kind: 'a tarball' },
  { at: 0, bytes: '%PDF-', kind: 'a PDF document' },
  { at: 0, bytes: hex('7f454c46'), kind: 'a program (ELF)' },
  { at: 0, bytes: hex('514649fb'), kind: 'a virtual disk in qcow2 format' },
  { at: 0, bytes: 'KDMV', kind: 'a virtual disk in VMDK format' },
  { at: 0, bytes: '# Disk DescriptorFile', kind: 'the description of a virtual disk in VMDK format' },
  { at: 64, bytes: hex('7f10dabe'), kind: 'a virtual disk in VDI format' },
  { at: 0, bytes: 'vhdxfile', kind: 'a virtual disk in VHDX format' },
  { at: 0, bytes: 'conectix', kind: 'a virtual disk in VHD format' },
  { at: 0, bytes: 'MSWIM\0\0\0', kind: 'a system image in WIM format' },
  { at: 0, bytes: hex('3aff26ed'), kind: 'a sparse flash image, which has to be expanded first' },
  { at: 514, bytes: 'HdrS', kind: 'a Linux kernel' },
  { at: 56, bytes: 'ARM\x64', kind: 'a Linux kernel' },
  { at: 0, bytes: '!<arch>\n', kind: 'a software package or library (ar)' },
  { at: 0, bytes: hex('edabeedb'), kind: 'a software package (rpm)' },
  { at: 0, bytes: '070701', kind: 'an archive (cpio)' },
  { at: 0, bytes: '070702', kind: 'an archive (cpio)' },
  { at: 0, bytes: hex('377abcaf271c'), kind: 'an archive (7z)' },
  { at: 0, bytes: 'Rar!\x1a\x07', kind: 'an archive (rar)' },
  { at: 0, bytes: 'MSCF\0\0\0\0', kind: 'an archive (cab)' },
  { at: 0, bytes: 'LZIP\x01', kind: 'a file packed with lzip, which is not supported' },
  { at: 0, bytes: hex('04224d18'), kind: 'a file packed with lz4, which is not supported' },
  { at: 0, bytes: hex('1f9d'), kind: 'a file packed with compress, which is not supported' },
  { at: 0, bytes: hex('5d00008000ffff'), kind: 'a file packed with lzma, which is not supported' },
  { at: 0, bytes: hex('89504e470d0a1a0a'), kind: 'a picture' },
  { at: 0, bytes: hex('ffd8ff'), kind: 'a picture' },
  { at: 0, bytes: 'SQLite format 3\0', kind: 'a database' },
];

/** Magics in the last 512 bytes. */
const tailMagics: readonly Magic[] = [
  { at: 0, bytes: 'conectix', kind: 'a virtual disk in VHD format' },
  { at: 0, bytes: 'koly', kind: 'a disk image in DMG format' },
];

function find(magics: readonly Magic[], bytes: Uint8Array): string | null {
  return magics.find((magic) => startsWith(bytes, magic.at, magic.bytes))?.kind ?? null;
}

export function nameByMagic(head: Uint8Array, tail: Uint8Array | null): string | null {
  return find(headMagics, head) ?? (tail && find(tailMagics, tail));
}
