import path from 'node:path';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import { defaultPolicy, type Policy } from '../../contract/policy.ts';
import { findOwnershipFaults } from './check-ownership.ts';
import { parsePolicy } from './parse-policy.ts';
import { type PolicyFiles, systemPolicyFiles } from './policy-files.ts';

export const defaultPolicyPath = '/etc/cardwright/policy.yaml';

export interface LoadedPolicy {
  policy: Policy;
  /** `guard.policy-ignored` where a file was there and is not trusted; to be shown loudly */
  findings: Finding[];
}

function freezePolicy(policy: Policy): Policy {
  return Object.freeze({
    ...policy,
    transports: Object.freeze([...policy.transports]),
    allowDevices: Object.freeze([...policy.allowDevices]),
    unmountBelow: Object.freeze([...policy.unmountBelow]),
    imageFolders: Object.freeze([...policy.imageFolders]),
    bootModeIds: Object.freeze([...policy.bootModeIds]),
    groups: Object.freeze({ ...policy.groups }),
  });
}

function isAbsent(error: unknown): boolean {
  return error instanceof Error && 'code' in error && error.code === 'ENOENT';
}

function unreadable(file: string, cause: unknown): CardwrightError {
  const why = cause instanceof Error ? cause.message : String(cause);
  return new CardwrightError('guard.policy-unreadable', { facts: { path: file, why }, cause });
}

/** Null: there is no such file. */
async function readPolicy(file: string, files: PolicyFiles): Promise<LoadedPolicy | null> {
  let faults: string[];
  let bytes: Uint8Array;
  try {
    faults = await findOwnershipFaults(file, files);
    bytes = faults.length === 0 ? await files.readFile(file) : new Uint8Array();
  } catch (error) {
    if (isAbsent(error)) return null;
    throw unreadable(file, error);
  }
  if (faults.length > 0) {
    const ignored = finding('guard.policy-ignored', 'note', { path: file, why: faults.join('; ') });
    return { policy: freezePolicy(defaultPolicy), findings: [ignored] };
  }
  return { policy: freezePolicy(parsePolicy(bytes, file)), findings: [] };
}

/**
 * The policy of the station, frozen. `given` is the path of `--policy`, null for the station's own file.
 *
 * A file that anybody but root could have changed is ignored: the built-in policy holds, and a finding says so.
 * A trusted file with mistakes, or one that cannot be read, is an error in either place: going on with the built-in
 * policy might allow what its owner meant to forbid. Without a file of its own a station has the built-in policy;
 * a `--policy` that is missing is an error.
 *
 * Throws `guard.policy-missing`, `guard.policy-unreadable`, `guard.policy-mistakes`.
 */
export async function loadPolicy(
  given: string | null,
  files: PolicyFiles = systemPolicyFiles,
): Promise<LoadedPolicy> {
  const file = path.resolve(given ?? defaultPolicyPath);
  const loaded = await readPolicy(file, files);
  if (loaded !== null) return loaded;
  if (given !== null) throw new CardwrightError('guard.policy-missing', { facts: { path: file } });
  return { policy: freezePolicy(defaultPolicy), findings: [] };
}
