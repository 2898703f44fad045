import * as fs from 'node:fs';
import { join } from 'node:path';

/** Ways in which a secret may stand in a file: as it is, in base64 at each of three alignments, and in hex. */
export function formsOf(secret: Uint8Array): Buffer[] {
  const bytes = Buffer.from(secret);
  const base64 = [0, 1, 2].flatMap((shift) => {
    const text = Buffer.concat([Buffer.alloc(shift), bytes])
      .toString('base64')
      .replace(/=+$/, '');
    // The first and last characters hold bits of the neighbours too.
    const inner = text.slice(shift === 0 ? 0 : shift + 1, -2);
    return [inner, inner.replaceAll('+', '-').replaceAll('/', '_')];
  });
  const hex = bytes.toString('hex');
  return [bytes, ...[...new Set([...base64, hex, hex.toUpperCase()])].map((text) => Buffer.from(text))];
}

export type Secrets = ReadonlyMap<string, readonly Uint8Array[]>;

/** Names of the secrets that stand in some bytes. */
export function secretsIn(bytes: Buffer, secrets: Secrets): string[] {
  return [...secrets].flatMap(([name, parts]) =>
    parts.some((part) => formsOf(part).some((form) => bytes.includes(form))) ? [name] : [],
  );
}

function filesBelow(folder: string): string[] {
  let found: fs.Dirent[];
  try {
    found = fs.readdirSync(folder, { withFileTypes: true });
  } catch {
    // Somebody else's folder that went meanwhile.
    return [];
  }
  return found.flatMap((entry) => {
    const path = join(folder, entry.name);
    if (entry.isDirectory()) return filesBelow(path);
    return entry.isFile() ? [path] : [];
  });
}

const mostBytes = 8 * 2 ** 20;

/** "FILE: SECRET" for each secret in each file below the folders that was changed since then. */
export function tracesIn(
  folders: readonly string[],
  secrets: Secrets,
  { sinceMs, isAllowed }: { sinceMs: number; isAllowed(path: string): boolean },
): string[] {
  return folders.flatMap(filesBelow).flatMap((path) => {
    const stats = fs.statSync(path, { throwIfNoEntry: false });
    if (isAllowed(path) || !stats || stats.mtimeMs < sinceMs || stats.size > mostBytes) return [];
    try {
      return secretsIn(fs.readFileSync(path), secrets).map((name) => `${path}: ${name}`);
    } catch {
      // A file of somebody else's that went meanwhile.
      return [];
    }
  });
}

function descendants(pid: number): number[] {
  let children: string;
  try {
    children = fs
      .readdirSync(`/proc/${pid}/task`)
      .map((task) => fs.readFileSync(`/proc/${pid}/task/${task}/children`, 'utf8'))
      .join(' ');
  } catch {
    // It has ended between two looks.
    return [];
  }
  return children
    .split(/\s+/)
    .filter((one) => one !== '')
    .flatMap((one) => [Number(one), ...descendants(Number(one))]);
}

/** Keeps looking at what everybody may see of a process and its children; `stop` gives all of it. */
export function watchProcess(pid: number): { stop(): { seen: Buffer; processes: number } } {
  const seen = new Map<string, Buffer>();
  const pids = new Set<number>();
  const look = () => {
    for (const one of [pid, ...descendants(pid)]) {
      for (const name of ['cmdline', 'environ', 'comm']) {
        try {
          const content = fs.readFileSync(`/proc/${one}/${name}`);
          seen.set(content.toString('latin1'), content);
          pids.add(one);
        } catch {
          // It has ended, or begins just now.
        }
      }
    }
  };
  const timer = setInterval(look, 5);
  look();
  return {
    stop() {
      clearInterval(timer);
      return { seen: Buffer.concat([...seen.values()]), processes: pids.size };
    },
  };
}
