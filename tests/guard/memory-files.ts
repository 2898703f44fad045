import { Volume } from 'memfs';
import type { PolicyFiles } from '../../src/guard/policy/policy-files.ts';

interface Numbers {
  uid?: number;
  mode?: number;
}

/**
 * A file system in memory with root-owned 0755 folders and 0644 files, save what is told otherwise. `fail` makes
 * one path answer an error of that code.
 */
export function makeFiles(
  files: Record<string, string | Uint8Array>,
  numbers: Record<string, Numbers> = {},
  fail: Record<string, string> = {},
): PolicyFiles & { volume: InstanceType<typeof Volume> } {
  const volume = new Volume();
  for (const [path, content] of Object.entries(files)) {
    volume.mkdirSync(path.slice(0, path.lastIndexOf('/')) || '/', { recursive: true });
    volume.writeFileSync(path, content);
  }
  for (const path of ['/', ...Object.keys(volume.toJSON()).flatMap(pathAndFolders)]) {
    const isFile = volume.lstatSync(path).isFile();
    const { uid = 0, mode = isFile ? 0o644 : 0o755 } = numbers[path] ?? {};
    volume.chownSync(path, uid, 0);
    volume.chmodSync(path, mode);
  }
  return {
    volume,
    async lstat(path) {
      const stats = await volume.promises.lstat(path);
      return {
        uid: Number(stats.uid),
        mode: Number(stats.mode),
        isFile: () => stats.isFile(),
        isDirectory: () => stats.isDirectory(),
        isSymbolicLink: () => stats.isSymbolicLink(),
      };
    },
    async readFile(path) {
      const code = fail[path];
      if (code !== undefined) throw Object.assign(new Error(`${code}: made to fail`), { code });
      return new Uint8Array(Buffer.from(await volume.promises.readFile(path)));
    },
  };
}

function pathAndFolders(path: string): string[] {
  const parts = path.split('/').slice(1);
  return parts.map((_, at) => `/${parts.slice(0, at + 1).join('/')}`);
}
