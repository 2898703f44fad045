import { deriveWifiKey } from '../../src/identity/wifi-key.ts';
import { run } from '../image/recipes.ts';
import { compareRows, type Row } from './compare-rows.ts';

const annex = 'IEEE 802.11-2020, annex J.4.2 (802.11i-2004, H.4.3), test vectors';

/** What wpa_passphrase answers; the phrase goes in by standard input. */
function reference(phrase: string, name: string): string {
  const text = run('wpa_passphrase', [name], `${phrase}\n`).toString();
  return /^\tpsk=([0-9a-f]{64})$/m.exec(text)?.[1] ?? text;
}

function row(phrase: string, name: string, key: string, source: string): Row<string> {
  return {
    value: `the key of "${name}"`,
    source,
    ours: () => deriveWifiKey(phrase, name),
    expected: key,
    reference: { programs: ['wpa_passphrase'], says: () => reference(phrase, name) },
  };
}

compareRows<string>('wireless keys', [
  row('password', 'IEEE', 'f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e', annex),
  row(
    'ThisIsAPassword',
    'ThisIsASSID',
    '0dc0d6eb90555ed6419756b9a15ec3e3209b63df707dd508d14581f8982721af',
    annex,
  ),
  row(
    'a'.repeat(32),
    'Z'.repeat(32),
    'becb93866bb8c3832cb777c2f559807c8c59afcb6eae734885001300a981cc62',
    annex,
  ),
  row(
    'p@ss"w\\ord12',
    'Café',
    '7b6e91ac160a25e31b839ff7ac91f59f1c002a5c5b8282e82178f43416ed822a',
    'wpa_passphrase of wpasupplicant 2.10',
  ),
]);
