import fs from 'node:fs';
import path from 'node:path';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { readSums } from '../../src/image/checksum/read-sums.ts';
import { run, statusOf, workFolder } from '../image/recipes.ts';
import { compareRows, type Row } from './compare-rows.ts';

const folder = workFolder();
const hello = 'a948904f2f0f479b8f8197694b30184b0d2ed1c1cd2a1ec0fb85d299a192a447';
const inFolder = (...args: string[]) => ['-C', folder, 'sha256sum', ...args];

/** The name that we read out of what `sha256sum` writes for a file; it is to be the one that was written for. */
function writtenRow(form: string, args: string[], name: string, line: string): Row<string[]> {
  return {
    value: `${form}: ${JSON.stringify(line)}`,
    source: 'coreutils 9.1, "cksum output modes"',
    ours: () => readSums(`${line}\n`).flatMap((entry) => [entry.sha256, entry.name]),
    expected: [hello, name],
    reference: {
      programs: ['sha256sum'],
      says: () => {
        fs.writeFileSync(path.join(folder, name), 'hello world\n');
        const written = run('env', inFolder(...args, '--', name)).toString();
        return written === `${line}\n` ? [hello, name] : [written];
      },
    },
  };
}

/** Whether a text counts for `plain.img`: for us, and for `sha256sum -c`. */
function lenientRow(value: string, text: string, expected: boolean): Row<boolean> {
  return {
    value,
    source: 'coreutils 9.1 sha256sum -c',
    ours: () => {
      try {
        return readSums(text).some(({ name, sha256 }) => name === 'plain.img' && sha256 === hello);
      } catch (error) {
        if (error instanceof CardwrightError) return false;
        throw error;
      }
    },
    expected,
    reference: {
      programs: ['sha256sum'],
      says: () => {
        fs.writeFileSync(path.join(folder, 'plain.img'), 'hello world\n');
        fs.writeFileSync(path.join(folder, 'SUMS'), text);
        return statusOf('env', inFolder('-c', '--status', 'SUMS')) === 0;
      },
    },
  };
}

compareRows<unknown>('SHA256SUMS', [
  writtenRow('text', [], 'plain.img', `${hello}  plain.img`),
  writtenRow('binary', ['-b'], 'plain.img', `${hello} *plain.img`),
  writtenRow('a star in the name', [], '*star.img', `${hello}  *star.img`),
  writtenRow('a blank before the name', [], ' blank.img', `${hello}   blank.img`),
  writtenRow('BSD', ['--tag'], 'plain.img', `SHA256 (plain.img) = ${hello}`),
  writtenRow(
    'BSD, a name that looks like its end',
    ['--tag'],
    'a) = b.img',
    `SHA256 (a) = b.img) = ${hello}`,
  ),
  writtenRow('a line feed in the name', [], 'new\nline.img', `\\${hello}  new\\nline.img`),
  writtenRow('a line feed, BSD', ['--tag'], 'new\nline.img', `\\SHA256 (new\\nline.img) = ${hello}`),
  writtenRow('a backslash in the name', [], 'back\\slash.img', `\\${hello}  back\\\\slash.img`),
  writtenRow('a carriage return in the name', [], 'cr\r.img', `\\${hello}  cr\\r.img`),
  writtenRow('a name beyond ASCII', [], 'ümlaut.img', `${hello}  ümlaut.img`),
  lenientRow('CRLF line ends are taken', `${hello}  plain.img\r\n`, true),
  lenientRow('comments and blank lines are taken', `# sums\n\n${hello}  plain.img\n`, true),
  lenientRow('capital digits are taken', `${hello.toUpperCase()}  plain.img\n`, true),
  lenientRow('a byte order mark hides the first line', `\ufeff${hello}  plain.img\n`, false),
  lenientRow('63 digits are none', `${hello.slice(1)}  plain.img\n`, false),
]);
