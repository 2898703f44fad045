import { checkHostName } from '../../src/identity/names.ts';
import { compareRows, type Row } from './compare-rows.ts';

const nameRow = (name: string, source: string, expected: boolean): Row<boolean> => ({
  value: `${name.length > 20 ? `a name of ${name.length} letters` : JSON.stringify(name)} ${expected ? 'is' : 'is no'} host name`,
  source,
  ours: () => checkHostName(name) === null,
  expected,
});

compareRows('host names', [
  nameRow('orchard-01', 'RFC 952, "grammatical host table"', true),
  nameRow('a', 'RFC 1123 section 2.1', true),
  nameRow('3com', 'RFC 1123 section 2.1: a digit may come first', true),
  nameRow('x'.repeat(63), 'RFC 1123 section 2.1: 63 must be handled', true),
  nameRow('x'.repeat(64), 'RFC 1035 section 2.3.4', false),
  nameRow('-orchard', 'RFC 952', false),
  nameRow('orchard-', 'RFC 952: the last character is no minus sign', false),
  nameRow('orchard_01', 'RFC 952: letters, digits, minus sign', false),
  nameRow('orchard 01', 'RFC 952: no blanks', false),
  nameRow('bäume', 'RFC 952', false),
  nameRow('12', 'RFC 1123 section 2.1: not to be taken for an address', false),
  nameRow('Orchard', 'hostname(5), systemd 252: lower case is recommended', false),
  nameRow('orchard.example.org', 'hostname(5), systemd 252: a single label is recommended', false),
]);
