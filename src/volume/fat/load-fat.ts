import { readFile } from 'node:fs/promises';
import { createRequire } from 'node:module';
import { create, type DiskIO, type FatFs, type FatFsOptions, RES_NOTRDY, RES_OK } from 'js-fatfs';
import { CardwrightError } from '../../contract/cardwright-error.ts';

/** Node has it, its type package does not name it. */
declare const WebAssembly: {
  compile(bytes: Uint8Array): Promise<object>;
  Instance: new (module: object, imports: object) => { exports: object };
};

/** FatFs is built for ten drives; each open volume takes one. */
export const driveCount = 10;

/** What one drive's callbacks need of the library: its memory. */
export type DriveDisk = Pick<DiskIO, 'read' | 'write' | 'ioctl'>;

export interface FatLibrary {
  readonly ff: FatFs;
  /** the disk behind each drive number, null where none is open */
  readonly drives: (DriveDisk | null)[];
  /** the time the library stamps on files, read as UTC */
  readonly clock: { nowMs: number };
  /** a trap inside the library leaves its memory in an unknown state */
  isBroken: boolean;
}

/** Imports of the compiled module, by the names its build gave them; a test holds them to what they do. */
interface LibraryImports {
  a: Record<string, unknown>;
}
const clockImport = 'i';
const localTimeImport = 'f';

let loading: Promise<FatLibrary> | null = null;
let library: FatLibrary | null = null;

function notLoaded(why: string, cause?: unknown): never {
  throw new CardwrightError('volume.library-not-loaded', { facts: { why }, cause });
}

export function brokenOff(): CardwrightError {
  const why = 'it broke off inside, and was not loaded again';
  return new CardwrightError('volume.library-not-loaded', { facts: { why } });
}

/** C `struct tm` in UTC instead of the station's time zone, so that one job gives one card everywhere. */
function fillBrokenDownTime(memory: Int32Array, at: number, seconds: number): void {
  const t = new Date(seconds * 1000);
  const startOfYear = Date.UTC(t.getUTCFullYear(), 0, 1);
  const dayOfYear = Math.floor((t.getTime() - startOfYear) / 86_400_000);
  const clockTime = [t.getUTCSeconds(), t.getUTCMinutes(), t.getUTCHours()];
  const date = [t.getUTCDate(), t.getUTCMonth(), t.getUTCFullYear() - 1900, t.getUTCDay(), dayOfYear];
  memory.set([...clockTime, ...date, 0, 0], at >> 2);
}

async function instantiate(bytes: Uint8Array): Promise<FatLibrary> {
  const compiled = await WebAssembly.compile(bytes);
  const clock = { nowMs: Date.UTC(1980, 0, 1) };
  const drives: (DriveDisk | null)[] = new Array(driveCount).fill(null);
  const options = {
    codepage: 437,
    diskio: {
      initialize: () => 0,
      status: () => 0,
      read: (ff, drive, ...rest) => drives[drive]?.read(ff, drive, ...rest) ?? RES_NOTRDY,
      write: (ff, drive, ...rest) => drives[drive]?.write(ff, drive, ...rest) ?? RES_NOTRDY,
      ioctl: (ff, drive, ...rest) => drives[drive]?.ioctl(ff, drive, ...rest) ?? RES_OK,
    } satisfies DiskIO,
    // The library's own messages go nowhere; what went wrong arrives as an error.
    print: () => undefined,
    printErr: () => undefined,
    // Taking this step over keeps the library from opening a file, which the worker cannot do.
    instantiateWasm(imports: LibraryImports, receive: (instance: object) => void): object {
      const named = [clockImport, localTimeImport].every((name) => typeof imports.a[name] === 'function');
      if (!named) notLoaded('its build does not have the clock where it is looked for');
      imports.a[clockImport] = () => clock.nowMs;
      imports.a[localTimeImport] = (low: number, high: number, at: number) =>
        fillBrokenDownTime(memory.HEAP32, at, (low >>> 0) + high * 2 ** 32);
      const instance = new WebAssembly.Instance(compiled, imports);
      receive(instance);
      return instance.exports;
    },
  };
  const memory = options as unknown as { HEAP32: Int32Array };
  const ff = await create(options as FatFsOptions);
  return { ff, drives, clock, isBroken: false };
}

async function readPackagedWasm(): Promise<Uint8Array> {
  return readFile(createRequire(import.meta.url).resolve('js-fatfs/dist/fatfs.wasm'));
}

/**
 * Gets the FAT library (FatFs, compiled to WebAssembly) ready; has to be awaited once before `openVolume`, in the
 * worker before it gives up opening files. Later calls do nothing unless the library broke.
 *
 * Bundled, the bytes come from the bundle: give esbuild `loader: { '.wasm': 'binary' }`, import
 * `js-fatfs/dist/fatfs.wasm` in the entry and pass what it gives. In CommonJS the library's glue also wants some
 * file URL as `import.meta.url` (`define: { 'import.meta.url': '"file:///cardwright"' }`); it opens nothing there.
 * @param wasmBytes the compiled library; read from the installed package when left out
 * @throws CardwrightError volume.library-not-loaded
 */
export async function loadFat(wasmBytes?: Uint8Array): Promise<FatLibrary> {
  if (library?.isBroken) {
    library = null;
    loading = null;
  }
  loading ??= (async () => instantiate(wasmBytes ?? (await readPackagedWasm())))();
  try {
    library = await loading;
    return library;
  } catch (cause) {
    loading = null;
    if (cause instanceof CardwrightError) throw cause;
    notLoaded(cause instanceof Error ? cause.message : String(cause), cause);
  }
}

/** @throws CardwrightError volume.library-not-loaded */
export function loadedFat(): FatLibrary {
  if (library === null) notLoaded('loadFat() was not awaited');
  if (library.isBroken) throw brokenOff();
  return library;
}
