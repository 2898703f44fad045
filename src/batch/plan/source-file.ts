import { resolve } from 'node:path';
import { keyOf, type Mistake, mistake, type PlanPath, type Raw, textAt, whereOf } from './mistake.ts';
import { errnoOf, type PlanFiles } from './plan-files.ts';

type Source = { ok: true; content: Uint8Array } | { ok: false; mistake: Mistake };

/** Looks whether the file that a value of the plan names is there; paths count from the plan's folder. */
export async function checkSource(
  raw: Raw,
  path: PlanPath,
  folder: string,
  files: PlanFiles,
): Promise<{ mistake: Mistake | null; sizeBytes: number }> {
  const given = textAt(raw, path) ?? '';
  const facts = { key: keyOf(path), where: whereOf(raw, path), path: given };
  try {
    const { size, isPlain } = await look(resolve(folder, given), files);
    return { mistake: isPlain ? null : mistake('plan.not-a-plain-file', path, facts), sizeBytes: size };
  } catch (error) {
    return { mistake: mistake('plan.missing-file', path, { ...facts, errno: errnoOf(error) }), sizeBytes: 0 };
  }
}

async function look(path: string, files: PlanFiles): Promise<{ size: number; isPlain: boolean }> {
  const found = await files.stat(path);
  return { size: found.size, isPlain: found.isFile() };
}

/**
 * The content of a small file that a value of the plan names.
 * @param tellLarge the mistake of naming a file that is larger than `mostBytes`
 */
export async function readSource(
  raw: Raw,
  path: PlanPath,
  folder: string,
  files: PlanFiles,
  mostBytes: number,
  tellLarge: (given: string, why: string) => Mistake,
): Promise<Source> {
  const given = textAt(raw, path) ?? '';
  const { mistake: missing, sizeBytes } = await checkSource(raw, path, folder, files);
  if (missing !== null) return { ok: false, mistake: missing };
  if (sizeBytes > mostBytes) {
    const why = `the file has ${sizeBytes} bytes`;
    return { ok: false, mistake: tellLarge(given, why) };
  }
  try {
    return { ok: true, content: await files.readFile(resolve(folder, given)) };
  } catch (error) {
    const facts = { key: keyOf(path), where: whereOf(raw, path), path: given, errno: errnoOf(error) };
    return { ok: false, mistake: mistake('plan.missing-file', path, facts) };
  }
}
