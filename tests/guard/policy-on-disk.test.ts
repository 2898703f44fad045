import { chmod, chown, mkdir, mkdtemp, rm, symlink, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { loadPolicy } from '../../src/guard/policy/load-policy.ts';

const isRoot = process.geteuid?.() === 0;

describe.skipIf(!isRoot)(
  `a policy on the real file system${isRoot ? '' : ' (skipped: needs root to own it)'}`,
  () => {
    let folder = '';
    let file = '';

    beforeEach(async () => {
      folder = await mkdtemp(path.join(tmpdir(), 'orchard-policy-'));
      file = path.join(folder, 'policy.yaml');
      await writeFile(file, 'maxSizeBytes: 1 GB\n', { mode: 0o644 });
    });

    afterEach(() => rm(folder, { recursive: true, force: true }));

    async function isHonoured(given: string): Promise<boolean> {
      const { policy, findings } = await loadPolicy(given);
      expect(findings).toHaveLength(policy.source === given ? 0 : 1);
      return policy.maxSizeBytes === 1e9;
    }

    it('holds while it and its folder are root’s alone', async () => {
      expect(await isHonoured(file)).toBe(true);
    });

    it.each([0o666, 0o664, 0o646])('is ignored with mode %o', async (mode) => {
      await chmod(file, mode);
      expect(await isHonoured(file)).toBe(false);
    });

    it.each([0o777, 0o775, 0o1777])('is ignored in a folder of mode %o', async (mode) => {
      await chmod(folder, mode);
      expect(await isHonoured(file)).toBe(false);
    });

    it('is ignored when it, or its folder, is somebody else’s', async () => {
      await chown(file, 65_534, 0);
      expect(await isHonoured(file)).toBe(false);
      await chown(file, 0, 0);
      await chown(folder, 65_534, 0);
      expect(await isHonoured(file)).toBe(false);
    });

    it('is ignored behind a symbolic link', async () => {
      const link = path.join(folder, 'link.yaml');
      await symlink(file, link);
      expect(await isHonoured(link)).toBe(false);
    });

    it('is ignored in a folder whose own folder is open and not sticky', async () => {
      const inner = path.join(folder, 'inner');
      await mkdir(inner, { mode: 0o755 });
      await writeFile(path.join(inner, 'policy.yaml'), 'maxSizeBytes: 1 GB\n', { mode: 0o644 });
      await chmod(folder, 0o777);
      expect(await isHonoured(path.join(inner, 'policy.yaml'))).toBe(false);
      await chmod(folder, 0o1777);
      expect(await isHonoured(path.join(inner, 'policy.yaml'))).toBe(true);
    });
  },
);
