import * as fs from 'node:fs';
import { join } from 'node:path';
import { CardwrightError } from '../../../contract/cardwright-error.ts';
import { uploadPath } from '../../contract/upload-place.ts';

/** An image that somebody sent, as the station holds it. */
export interface OpenUpload {
  /** leads to this very file, whatever becomes of its name */
  path: string;
  sizeBytes: number;
  close(): void;
}

const missing = () => new CardwrightError('daemon.no-such-upload');

/**
 * Opens what the front keeps of a caller's image. The front is not trusted with more than its own files: a link, a
 * file of somebody else's or one with a second name is none.
 *
 * @throws CardwrightError `daemon.no-such-upload`
 */
export function openUpload(folder: string | null, caller: string, sha256: string): OpenUpload {
  if (folder === null) throw missing();
  let fd: number;
  try {
    const { O_RDONLY, O_NOFOLLOW, O_NONBLOCK } = fs.constants;
    fd = fs.openSync(join(folder, uploadPath(caller, sha256)), O_RDONLY | O_NOFOLLOW | O_NONBLOCK);
  } catch {
    throw missing();
  }
  const stat = fs.fstatSync(fd);
  if (!stat.isFile() || stat.nlink !== 1 || stat.uid !== fs.statSync(folder).uid) {
    fs.closeSync(fd);
    throw missing();
  }
  return { path: `/proc/self/fd/${fd}`, sizeBytes: stat.size, close: () => fs.closeSync(fd) };
}
