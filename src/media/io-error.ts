import { CardwrightError } from '../contract/cardwright-error.ts';
import type { Code } from '../contract/catalogue/index.ts';

/**
 * What a vanished card answers, as seen on real block devices: a read of a loop device whose server died gave
 * EINVAL, a write EIO. Only the identity check can tell these from a bad sector, so the name is kept as it came.
 */
const goneErrors = new Set(['ENXIO', 'ENODEV', 'ENOMEDIUM', 'ESHUTDOWN']);

export function errnoOf(cause: unknown): string {
  return (cause as NodeJS.ErrnoException | null)?.code ?? 'unknown error';
}

/** Names a failed transfer: `media.gone` where the error number alone says so, else the given code. */
export function ioError(code: Code, offset: number, length: number, cause: unknown): CardwrightError {
  const errno = errnoOf(cause);
  const facts = { offset, length, errno };
  return new CardwrightError(goneErrors.has(errno) ? 'media.gone' : code, { facts, cause });
}
