import fs from 'node:fs';
import path from 'node:path';
import { describe, expect, it } from 'vitest';
import { nameStranger } from '../../src/image/name-stranger.ts';
import { describeWith } from '../lab/capabilities.ts';
import { noise, run, workFolder } from './recipes.ts';

const folder = workFolder();
const named = (bytes: Uint8Array | string, tail: Uint8Array | null = null) =>
  nameStranger(Buffer.from(bytes as string), tail);

describe('what is certainly not an image, by its content', () => {
  it.each([
    ['a web page', '<!DOCTYPE html>\n<html><body>404 not found</body></html>'],
    ['a web page', '\n\n  <HTML lang="en">'],
    ['a web page', '\ufeff<html>'],
    ['an XML document', '<?xml version="1.0"?><Error><Code>AccessDenied</Code></Error>'],
    ['a JSON document', '{ "message": "not found" }'],
    ['a text file', 'please log in first\n'],
    ['a text file', 'Bitte zuerst anmelden: Apfelbäume\n'],
    ['a checksum file', `${'0'.repeat(64)}  node-os.img.xz\n`],
    ['a checksum file', `${'A'.repeat(128)} *node-os.img.xz\n`],
    ['a checksum file', `SHA256 (node-os.img) = ${'0'.repeat(64)}\n`],
    ['a signed text', '-----BEGIN PGP SIGNED MESSAGE-----\nHash: SHA256\n\n'],
    ['a signature', '-----BEGIN PGP SIGNATURE-----\n\n'],
    ['a key or a certificate', '-----BEGIN PUBLIC KEY-----\nMCow\n'],
    ['a script', '#!/bin/sh\nexit 1\n'],
    ['a PDF document', '%PDF-1.7\n%\xe2\xe3\n'],
    ['an archive (cpio)', '070701000003'],
    ['a software package or library (ar)', '!<arch>\ndebian-binary'],
  ])('%s', (kind, text) => {
    expect(named(text)).toBe(kind);
  });

  // magics of public formats, as libmagic lists them
  it.each([
    ['a virtual disk in qcow2 format', '514649fb00000003', 0],
    ['a virtual disk in VMDK format', '4b444d5601000000', 0],
    ['a virtual disk in VDI format', '7f10dabe', 64],
    ['a virtual disk in VHDX format', Buffer.from('vhdxfile').toString('hex'), 0],
    ['a program (ELF)', '7f454c4602010100', 0],
    ['a tarball', Buffer.from('ustar').toString('hex'), 257],
    ['a Linux kernel', Buffer.from('HdrS').toString('hex'), 514],
    ['an archive (7z)', '377abcaf271c0004', 0],
    ['a file packed with lz4, which is not supported', '04224d18', 0],
    ['a sparse flash image, which has to be expanded first', '3aff26ed01000000', 0],
  ])('%s', (kind, digits, at) => {
    const bytes = noise(4096);
    bytes.write(digits, at, 'hex');
    expect(named(bytes)).toBe(kind);
  });

  it('disk formats that are told by their last 512 bytes', () => {
    const tail = Buffer.alloc(512);
    tail.write('conectix');
    expect(named(noise(4096), tail)).toBe('a virtual disk in VHD format');
    tail.write('koly\0\0\0\0');
    expect(named(noise(4096), tail)).toBe('a disk image in DMG format');
  });

  it('a text in UTF-16', () => {
    expect(named(Buffer.from('\ufeff<html>', 'utf16le'))).toBe('a web page');
    expect(named(Buffer.from('\ufeffhello', 'utf16le').swap16())).toBe('a text file');
  });

  it('a character that is split by the end of the head is still text', () => {
    expect(named(Buffer.from(`${'a'.repeat(4095)}ä`))).toBe('a text file');
  });
});

describeWith(['program:tar'], 'what tools make', () => {
  it.each(['ustar', 'gnu', 'pax', 'v7'])('a tarball in %s format', (format) => {
    fs.writeFileSync(path.join(folder, 'node-os.img'), noise(3000));
    const tar = run('tar', ['-c', `--format=${format}`, '-C', folder, 'node-os.img']);
    expect(named(tar.subarray(0, 4096))).toBe('a tarball');
  });

  it('the program that runs this test', () => {
    const head = fs.readFileSync(process.execPath).subarray(0, 4096);
    expect(named(head)).toBe('a program (ELF)');
  });
});

describe('what may be an image', () => {
  it.each([
    ['noise', noise(4096)],
    ['zeros', Buffer.alloc(4096)],
    ['very little', Buffer.from([0, 1, 2])],
    ['nothing', Buffer.alloc(0)],
    ['a boot sector that begins like a program', Buffer.concat([Buffer.from('MZ'), Buffer.alloc(510)])],
  ])('%s', (_name, bytes) => {
    expect(named(bytes)).toBeNull();
  });
});
