import fs from 'node:fs';
import path from 'node:path';
import { crc32 } from 'node:zlib';
import { hashFile } from '../../src/image/checksum/hash-file.ts';
import { run, workFolder } from '../image/recipes.ts';
import { compareRows, type Row } from './compare-rows.ts';

const folder = workFolder();

function sha256Row(value: string, source: string, content: string, expected: string): Row<string> {
  const file = path.join(folder, value.replaceAll(/\W/g, '-'));
  fs.writeFileSync(file, content);
  return {
    value: `SHA-256 of ${value}`,
    source,
    ours: () => hashFile(file),
    expected,
    reference: { programs: ['sha256sum'], says: () => run('sha256sum', [file]).toString().slice(0, 64) },
  };
}

const fips = 'FIPS 180-4, NIST examples';
const coreutils = 'coreutils 9.1 sha256sum';
const twoBlocks = 'abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq';

compareRows('SHA-256', [
  sha256Row('nothing', fips, '', 'e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855'),
  sha256Row('abc', fips, 'abc', 'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad'),
  sha256Row(
    'two blocks',
    fips,
    twoBlocks,
    '248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1',
  ),
  sha256Row(
    'a million a',
    fips,
    'a'.repeat(1_000_000),
    'cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0',
  ),
  sha256Row(
    'hello world',
    coreutils,
    'hello world\n',
    'a948904f2f0f479b8f8197694b30184b0d2ed1c1cd2a1ec0fb85d299a192a447',
  ),
  sha256Row(
    'a MiB of zeros',
    coreutils,
    '\0'.repeat(2 ** 20),
    '30e14955ebf1352266dc2ff8067e68104607e750abb9d3b36582b8af909fcb58',
  ),
  sha256Row(
    'four MiB of zeros',
    coreutils,
    '\0'.repeat(2 ** 22),
    'bb9f8df61474d25e71fa00722318cd387396ca1736605e1248821cc0de3d3af8',
  ),
]);

/** gzip writes the CRC-32 of what it was given before the last four bytes (RFC 1952 section 2.3.1). */
function crcRow(value: string, source: string, content: string | Buffer, expected: string): Row<string> {
  return {
    value: `CRC-32 of ${value}`,
    source,
    ours: () => crc32(content).toString(16).padStart(8, '0'),
    expected,
    reference: {
      programs: ['gzip'],
      says: () => run('gzip', ['-c'], content).subarray(-8, -4).reverse().toString('hex'),
    },
  };
}

// What GPT headers, xz fields and zip members are checked with.
compareRows('CRC-32', [
  crcRow('123456789', 'CRC-32/ISO-HDLC check value; RFC 1952 section 8', '123456789', 'cbf43926'),
  crcRow('nothing', 'RFC 1952 section 8', '', '00000000'),
  crcRow('a', 'Python 3.11 zlib', 'a', 'e8b7be43'),
  crcRow('abc', 'Python 3.11 zlib', 'abc', '352441c2'),
  crcRow('a pangram', 'Python 3.11 zlib', 'The quick brown fox jumps over the lazy dog', '414fa339'),
  crcRow('an empty sector', 'Python 3.11 zlib', Buffer.alloc(512), 'b2aa7578'),
  crcRow(
    '128 empty GPT entries',
    'UEFI 2.11 section 5.3.3; Python 3.11 zlib',
    Buffer.alloc(128 * 128),
    'ab54d286',
  ),
]);
