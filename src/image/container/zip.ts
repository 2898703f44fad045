import { type Entry, fromRandomAccessReader, RandomAccessReader, type ZipFile } from 'yauzl';
import type { ByteSource } from '../../contract/blocks.ts';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { finding } from '../../contract/finding.ts';
import { type ContainerFacts, damaged, trailingGarbage, truncated } from './container-facts.ts';

/** Where the one image lies inside the zip file, and how to check what comes out of it. */
export interface ZipMember {
  name: string;
  method: 'stored' | 'deflate';
  /** first byte of its packed data in the zip file */
  dataStart: number;
  packedBytes: number;
  sizeBytes: number;
  crc32: number;
}

export interface ZipFacts extends ContainerFacts {
  sizeBytes: number;
  member: ZipMember;
}

const mostEntries = 10_000;
const methodNames: Readonly<Record<number, ZipMember['method']>> = { 0: 'stored', 8: 'deflate' };
const imageEndings = /\.(img|raw|iso|wic|bin|image|sdimg|sdcard|emmc|hddimg)$/i;

/** What the zip library reads through: no place outside the file ever reaches a system call. */
class SourceReader extends RandomAccessReader {
  readonly #source: ByteSource;

  constructor(source: ByteSource) {
    super();
    this.#source = source;
  }

  override read(
    into: Buffer,
    offset: number,
    length: number,
    position: number,
    callback: (error: Error | null) => void,
  ): void {
    let problem: Error | null = null;
    try {
      if (position + length > this.#source.sizeBytes) throw new Error('unexpected EOF');
      into.set(this.#source.read(position, length), offset);
    } catch (error) {
      problem = error as Error;
    }
    const answer = callback as (error: Error | null, bytesRead?: number) => void;
    setImmediate(() => answer(problem, length));
  }
}

/** The library's reasons, sorted into ours. */
function asCardwrightError(error: unknown): CardwrightError {
  if (error instanceof CardwrightError) return error;
  const message = error instanceof Error ? error.message : String(error);
  if (/Invalid comment length/i.test(message)) {
    return trailingGarbage('zip', 'bytes after its directory that are not its comment');
  }
  if (/record signature not found|unexpected EOF|overflows file bounds/i.test(message)) {
    return truncated('zip', 'its directory or part of its data is not there');
  }
  if (/encryption/i.test(message)) {
    return new CardwrightError('image.zip-encrypted', { facts: { member: 'in it' }, cause: error });
  }
  return damaged('zip', message);
}

function openZip(source: ByteSource): Promise<ZipFile> {
  return new Promise((resolve, reject) => {
    fromRandomAccessReader(
      new SourceReader(source),
      source.sizeBytes,
      { autoClose: false, lazyEntries: true },
      (error, file) => (error ? reject(error) : resolve(file)),
    );
  });
}

async function listFiles(zip: ZipFile): Promise<Entry[]> {
  if (zip.entryCount > mostEntries) throw refuseMembers(zip.entryCount, []);
  const files: Entry[] = [];
  for await (const entry of zip.eachEntry()) {
    if (!entry.fileName.endsWith('/')) files.push(entry);
  }
  return files;
}

function refuseMembers(count: number, names: string[]): CardwrightError {
  return new CardwrightError('image.zip-members', {
    facts: { count, names: names.slice(0, 5).join(', ') || 'none named' },
  });
}

/** The only file; or, among several, the only one whose name ends as images do. */
function chooseImage(files: readonly Entry[]): Entry {
  const candidates = files.length === 1 ? files : files.filter((file) => imageEndings.test(file.fileName));
  const [only, ...others] = candidates;
  if (only && others.length === 0) return only;
  throw refuseMembers(
    files.length,
    files.map((file) => file.fileName),
  );
}

async function locateMember(zip: ZipFile, entry: Entry): Promise<ZipMember> {
  if (entry.isEncrypted()) {
    throw new CardwrightError('image.zip-encrypted', { facts: { member: entry.fileName } });
  }
  const method = methodNames[entry.compressionMethod];
  if (!method) {
    const facts = { container: 'zip', method: entry.compressionMethod };
    throw new CardwrightError('image.method-unsupported', { facts });
  }
  const { fileDataStart } = await zip.readLocalFileHeaderPromise(entry, { minimal: true });
  if (!Number.isSafeInteger(entry.uncompressedSize)) throw damaged('zip', 'its size is beyond all reason');
  return {
    name: entry.fileName,
    method,
    dataStart: fileDataStart,
    packedBytes: entry.compressedSize,
    sizeBytes: entry.uncompressedSize,
    crc32: entry.crc32,
  };
}

/**
 * The zip container, by its central directory (APPNOTE 4.3.12, zip64 4.5.3), with exactly one image in it.
 * Throws `image.zip-members`, `image.zip-encrypted`, `image.method-unsupported`, `image.damaged`,
 * `image.truncated`, `image.trailing-garbage`.
 */
export async function readZip(source: ByteSource): Promise<ZipFacts> {
  try {
    const zip = await openZip(source);
    const files = await listFiles(zip);
    const member = await locateMember(zip, chooseImage(files));
    const others = files.length - 1;
    return {
      container: 'zip',
      sizeBytes: member.sizeBytes,
      memberName: member.name,
      member,
      findings:
        others > 0
          ? [finding('image.zip-other-members', 'note', { count: others, member: member.name })]
          : [],
    };
  } catch (error) {
    throw asCardwrightError(error);
  }
}
