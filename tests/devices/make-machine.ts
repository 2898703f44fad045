/**
 * A make-believe machine behind the reader's port: a tree of files, links and device nodes, and what programs say.
 * It is composed from what kernels are known to show, not captured; names and notes of its captures say so.
 */
import { dirname } from 'node:path';
import { Volume } from 'memfs';
import type { Answer, FileNumbers, SystemReader } from '../../src/contract/system-reader.ts';
import { programKey } from '../../src/devices/replay/capture.ts';

export interface PartitionRecipe {
  numbers: string;
  startMib: number;
  sizeMib: number;
  /** what `blkid -p -o udev` prints for it, as KEY: value */
  content?: Record<string, string>;
}

export interface DiskRecipe {
  /** below /sys/devices */
  path: string;
  numbers: string;
  sizeBytes: number;
  readOnly?: boolean;
  removable?: boolean;
  hidden?: boolean;
  diskseq?: number;
  blockBytes?: number;
  content?: Record<string, string>;
  /** further attributes, by path relative to the disk's folder */
  attributes?: Record<string, string>;
  /** partition name → recipe */
  partitions?: Record<string, PartitionRecipe>;
  slaves?: string[];
}

function answer<T>(call: () => T): Answer<T> {
  try {
    return { ok: true, value: call() };
  } catch (error) {
    return { ok: false, why: (error as NodeJS.ErrnoException).code ?? String(error) };
  }
}

const blkidText = (content: Record<string, string>): string =>
  Object.entries(content)
    .map(([name, value]) => `${name}=${value}\n`)
    .join('');

export class MakeBelieveMachine {
  readonly #tree = new Volume();
  readonly #nodes = new Map<string, string>();
  readonly #programs = new Map<string, { status: number; stdout: string }>();
  readonly #mounts: string[] = [];
  readonly #folderOf = new Map<string, string>();

  constructor() {
    for (const folder of [
      '/sys/block',
      '/sys/dev/block',
      '/dev',
      '/proc/1/fd',
      '/proc/self/ns',
      '/etc',
      '/usr/bin',
    ]) {
      this.#tree.mkdirSync(folder, { recursive: true });
    }
    this.file('/proc/swaps', 'Filename\t\t\t\tType\t\tSize\t\tUsed\t\tPriority\n');
    this.file('/proc/cmdline', 'quiet\n');
    this.link('/proc/self/ns/pid', 'pid:[4026531836]');
    this.process(1, 'init');
    this.mount('0:5', '/proc', 'proc', 'proc').mount('0:6', '/dev', 'devtmpfs', 'udev');
  }

  file(path: string, content: string | Uint8Array): this {
    this.#tree.mkdirSync(dirname(path), { recursive: true });
    this.#tree.writeFileSync(path, content);
    return this;
  }

  folder(path: string): this {
    this.#tree.mkdirSync(path, { recursive: true });
    return this;
  }

  link(path: string, target: string): this {
    this.#tree.mkdirSync(dirname(path), { recursive: true });
    if (!this.#tree.existsSync(path)) this.#tree.symlinkSync(target, path);
    return this;
  }

  node(path: string, numbers: string): this {
    this.#nodes.set(path, numbers);
    return this.file(path, '');
  }

  program(words: readonly [string, ...string[]], stdout: string, status = 0): this {
    const [program, ...args] = words;
    this.#programs.set(programKey(program, args), { status, stdout });
    return this;
  }

  /** A line of mountinfo, as every process sees it. */
  mount(numbers: string, point: string, fsType: string, source: string, superOptions = 'rw'): this {
    this.#mounts.push(
      `${this.#mounts.length + 20} 1 ${numbers} / ${point} rw,relatime shared:1 - ${fsType} ${source} ${superOptions}`,
    );
    this.folder(point);
    for (const pid of ['self', '1']) this.file(`/proc/${pid}/mountinfo`, `${this.#mounts.join('\n')}\n`);
    return this;
  }

  process(pid: number, comm: string, descriptors: Record<string, string> = {}): this {
    this.file(`/proc/${pid}/comm`, `${comm}\n`).folder(`/proc/${pid}/fd`);
    this.link(`/proc/${pid}/ns/mnt`, 'mnt:[4026531841]');
    for (const name of ['cwd', 'root']) this.link(`/proc/${pid}/${name}`, '/');
    for (const [fd, target] of Object.entries(descriptors)) this.link(`/proc/${pid}/fd/${fd}`, target);
    return this;
  }

  disk(recipe: DiskRecipe): this {
    const folder = `/sys/devices/${recipe.path}`;
    const name = folder.split('/').at(-1) ?? '';
    this.#folderOf.set(name, folder);
    const attributes = {
      dev: recipe.numbers,
      size: recipe.sizeBytes / 512,
      ro: recipe.readOnly ? 1 : 0,
      removable: recipe.removable ? 1 : 0,
      hidden: recipe.hidden ? 1 : 0,
      diskseq: recipe.diskseq ?? 7,
      'queue/logical_block_size': recipe.blockBytes ?? 512,
      'queue/physical_block_size': recipe.blockBytes ?? 512,
      ...recipe.attributes,
    };
    for (const [file, value] of Object.entries(attributes)) this.file(`${folder}/${file}`, `${value}\n`);
    this.link(`/sys/block/${name}`, folder);
    this.#block(folder, recipe.numbers, recipe.content);
    for (const [partition, one] of Object.entries(recipe.partitions ?? {})) {
      this.#partition(
        `${folder}/${partition}`,
        one,
        Object.keys(recipe.partitions ?? {}).indexOf(partition) + 1,
      );
    }
    for (const slave of recipe.slaves ?? []) this.#stack(name, folder, slave);
    return this;
  }

  #partition(folder: string, recipe: PartitionRecipe, number: number): void {
    this.file(`${folder}/partition`, `${number}\n`).file(`${folder}/dev`, `${recipe.numbers}\n`);
    this.file(`${folder}/start`, `${recipe.startMib * 2048}\n`).file(
      `${folder}/size`,
      `${recipe.sizeMib * 2048}\n`,
    );
    this.#folderOf.set(folder.split('/').at(-1) ?? '', folder);
    this.#block(folder, recipe.numbers, recipe.content);
  }

  #block(folder: string, numbers: string, content: Record<string, string> | undefined): void {
    const node = `/dev/${folder.split('/').at(-1)}`;
    this.folder(`${folder}/holders`).folder(`${folder}/slaves`);
    this.link(`/sys/dev/block/${numbers}`, folder).node(node, numbers);
    this.program(['blkid', '-p', '-o', 'udev', node], content ? blkidText(content) : '', content ? 0 : 2);
  }

  #stack(name: string, folder: string, slave: string): void {
    const below = this.#folderOf.get(slave);
    if (below === undefined) throw new Error(`${slave} has to be made before ${name}`);
    this.link(`${folder}/slaves/${slave}`, below).link(`${below}/holders/${name}`, folder);
  }

  /** The device number of whatever file system a path lies on, from the mounts. */
  #numbersAt(path: string): string {
    const lines = this.#mounts.map((line) => line.split(' '));
    const within = lines.filter(
      ([, , , , point = '']) => point === '/' || path === point || path.startsWith(`${point}/`),
    );
    return within.toSorted((a, b) => (a[4]?.length ?? 0) - (b[4]?.length ?? 0)).at(-1)?.[2] ?? '0:1';
  }

  #stat(path: string): FileNumbers {
    const real = String(this.#tree.realpathSync(path));
    const rdev = this.#nodes.get(real) ?? null;
    const isFolder = this.#tree.statSync(real).isDirectory();
    const kind = rdev !== null ? 'block' : isFolder ? 'directory' : 'file';
    return { kind, dev: this.#numbersAt(real), rdev, uid: 0, gid: 0, mode: 0o600, sizeBytes: 0 };
  }

  #bytes(path: string, offset: number, length: number): Uint8Array {
    const real = String(this.#tree.realpathSync(path));
    if (this.#nodes.has(real)) return new Uint8Array(length);
    return Uint8Array.from(this.#tree.readFileSync(real) as Buffer).subarray(offset, offset + length);
  }

  reader(): SystemReader {
    const tree = this.#tree;
    return {
      readText: async (path) => answer(() => String(tree.readFileSync(path, 'utf8'))),
      list: async (path) => answer(() => (tree.readdirSync(path) as string[]).toSorted()),
      readLink: async (path) => answer(() => String(tree.readlinkSync(path))),
      realPath: async (path) => answer(() => String(tree.realpathSync(path))),
      stat: async (path) => answer(() => this.#stat(path)),
      run: async (program, args) => {
        const value = this.#programs.get(programKey(program, args));
        return value ? { ok: true, value } : { ok: false, why: 'missing' };
      },
      readBytes: async (path, offset, length) => answer(() => this.#bytes(path, offset, length)),
      drivelist: async () => ({ ok: false, why: 'a make-believe machine has none' }),
    };
  }
}
