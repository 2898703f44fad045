import * as fat from 'js-fatfs';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type FatSession, failLibrary } from './session.ts';

const bufferBytes = 2 ** 16;

function withOpenFile<T>(
  session: FatSession,
  path: string,
  mode: number,
  use: (file: number, buffer: number, count: number) => T,
): T {
  const { ff } = session;
  return session.withMemory(fat.sizeof_FIL, 'content', (file) =>
    session.withMemory(bufferBytes, 'content', (buffer) =>
      session.withMemory(4, 'other', (count) => {
        const opened = session.run('f_open', () => ff.f_open(file, session.pathOf(path), mode));
        if (opened === fat.FR_DENIED) throw new CardwrightError('volume.folder-full', { facts: { path } });
        if (opened !== fat.FR_OK) failLibrary('f_open', path, opened);
        return use(file, buffer, count);
      }),
    ),
  );
}

function closeFile(session: FatSession, path: string, file: number): void {
  const closed = session.run('f_close', () => session.ff.f_close(file));
  if (closed !== fat.FR_OK) failLibrary('f_close', path, closed);
}

/** The whole content of a file of `sizeBytes`. @throws CardwrightError volume.damaged where it ends early */
export function readContent(session: FatSession, path: string, sizeBytes: number): Uint8Array {
  const { ff } = session;
  const bytes = new Uint8Array(sizeBytes);
  return withOpenFile(session, path, fat.FA_READ, (file, buffer, count) => {
    for (let at = 0; at < sizeBytes; ) {
      const wanted = Math.min(bufferBytes, sizeBytes - at);
      const read = () => ff.f_read(file, buffer, wanted, count);
      const result = session.run('f_read', read, bufferBytes / 512);
      if (result !== fat.FR_OK) failLibrary('f_read', path, result);
      const got = ff.getValue(count, 'i32');
      if (got !== wanted) failLibrary('f_read', path, fat.FR_INT_ERR);
      bytes.set(ff.HEAPU8.subarray(buffer, buffer + got), at);
      at += got;
    }
    closeFile(session, path, file);
    return bytes;
  });
}

/**
 * Makes or replaces a file with this content.
 * @returns false where the volume became full; what was written up to there is for the caller to throw away
 * @throws CardwrightError volume.folder-full, volume.damaged
 */
export function writeContent(session: FatSession, path: string, bytes: Uint8Array): boolean {
  const { ff } = session;
  return withOpenFile(session, path, fat.FA_WRITE | fat.FA_CREATE_ALWAYS, (file, buffer, count) => {
    for (let at = 0; at < bytes.length; ) {
      const piece = bytes.subarray(at, at + bufferBytes);
      ff.HEAPU8.set(piece, buffer);
      const write = () => ff.f_write(file, buffer, piece.length, count);
      const result = session.run('f_write', write, bufferBytes / 512);
      if (result !== fat.FR_OK) failLibrary('f_write', path, result);
      if (ff.getValue(count, 'i32') !== piece.length) return false;
      at += piece.length;
    }
    closeFile(session, path, file);
    return true;
  });
}
