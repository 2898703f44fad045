/**
 * What this machine can do for a test, and `describeWith`, which says why a test cannot run here:
 *
 *   describeWith(['loop', 'program:sfdisk'], 'a card with two partitions', () => { … });
 *
 * On a developer's machine a missing requirement skips, with the reason in the title and on stderr. With CI=true it
 * fails instead: CI installs what debian-packages.txt lists, so a requirement that is missing there is a mistake.
 */
import { spawnSync } from 'node:child_process';
import { accessSync, closeSync, constants, openSync, rmSync, statSync } from 'node:fs';
import { delimiter, join } from 'node:path';
import { describe, it } from 'vitest';

type Named =
  | 'root'
  | 'linux'
  | 'loop'
  | 'tmpfs-direct-io'
  | 'fuse'
  | 'nbdkit'
  | 'fault-disk'
  | 'qemu'
  | 'guest'
  | 'bench-network';
/** A named ability of the machine, or a program on the PATH as `program:NAME`. */
export type Requirement = Named | `program:${string}`;

function canUse(path: string, mode: number): boolean {
  try {
    accessSync(path, mode);
    return true;
  } catch (error) {
    // Every failure of access(2) means "not usable"; the reason that tests print names the path.
    return (error as NodeJS.ErrnoException).code === undefined;
  }
}

function missingProgram(name: string): string | null {
  const folders = [...(process.env.PATH ?? '').split(delimiter), '/usr/sbin', '/sbin'];
  return folders.some((folder) => canUse(join(folder, name), constants.X_OK)) ? null : `no program ${name}`;
}

const missingDevice = (path: string) =>
  canUse(path, constants.R_OK | constants.W_OK) ? null : `${path} cannot be opened`;

/** open(2) gives EINVAL where a file system has no direct I/O; tmpfs has had it since Linux 6.6. */
function missingTmpfsDirectIo(): string | null {
  const path = `/dev/shm/cardwright-lab-probe-${process.pid}`;
  try {
    closeSync(
      openSync(path, constants.O_RDWR | constants.O_CREAT | constants.O_EXCL | constants.O_DIRECT, 0o600),
    );
    return null;
  } catch (error) {
    return `no direct I/O on /dev/shm (${(error as NodeJS.ErrnoException).code})`;
  } finally {
    rmSync(path, { force: true });
  }
}

const firstOf = (...requirements: Requirement[]) =>
  requirements.map(whyMissing).find((reason) => reason !== null) ?? null;

const checks: Record<Named, () => string | null> = {
  linux: () => (process.platform === 'linux' ? null : `this is ${process.platform}, not Linux`),
  root: () => (process.getuid?.() === 0 ? null : 'not root'),
  loop: () => firstOf('linux', 'root', 'program:losetup') ?? missingDevice('/dev/loop-control'),
  'tmpfs-direct-io': () => firstOf('linux') ?? missingTmpfsDirectIo(),
  fuse: () => firstOf('linux', 'program:fusermount3') ?? missingDevice('/dev/fuse'),
  nbdkit: () =>
    firstOf('program:nbdkit') ??
    (['/usr/lib', '/usr/lib/x86_64-linux-gnu', '/usr/lib/aarch64-linux-gnu'].some((folder) =>
      canUse(`${folder}/nbdkit/plugins/nbdkit-python-plugin.so`, constants.R_OK),
    )
      ? null
      : 'no nbdkit-plugin-python'),
  'fault-disk': () => firstOf('loop', 'tmpfs-direct-io', 'fuse', 'nbdkit', 'program:nbdfuse'),
  qemu: () => firstOf('program:qemu-system-x86_64'),
  guest: () =>
    firstOf(
      'linux',
      'root',
      'qemu',
      'program:cpio',
      'program:depmod',
      'program:modprobe',
      'program:apt-get',
    ) ??
    (isStatic('/bin/busybox') ? null : 'no /bin/busybox (Debian: busybox-static)') ??
    (canUse('/lib/systemd/systemd-udevd', constants.X_OK) ? null : 'no /lib/systemd/systemd-udevd'),
  'bench-network': () =>
    firstOf('linux', 'root', 'program:ip', 'program:unshare', 'program:nsenter') ??
    missingDevice('/dev/net/tun') ??
    missingBridge(),
};

/** Makes one in a network namespace that is gone at once. */
function missingBridge(): string | null {
  const args = ['--net', 'ip', 'link', 'add', 'bench', 'type', 'bridge'];
  const { status, stderr } = spawnSync('unshare', args, { encoding: 'utf8' });
  return status === 0 ? null : `no bridge in a network namespace: ${stderr.trim()}`;
}

function isStatic(path: string): boolean {
  // The shared build is a third of the size; only the static one runs in a bare initramfs.
  return canUse(path, constants.X_OK) && statSync(path).size > 1_500_000;
}

const known = new Map<Requirement, string | null>();

/** Why a requirement is not met here, in a few words; null when it is. Looked at once a process. */
export function whyMissing(requirement: Requirement): string | null {
  const before = known.get(requirement);
  if (before !== undefined) return before;
  const reason = requirement.startsWith('program:')
    ? missingProgram(requirement.slice('program:'.length))
    : checks[requirement as Named]();
  known.set(requirement, reason);
  return reason;
}

/** What `describeWith` does about the requirements: run, skip with the reason, or fail with it. */
export function decide(
  requirements: readonly Requirement[],
  { isCi, look = whyMissing }: { isCi: boolean; look?: (requirement: Requirement) => string | null },
): { action: 'run' } | { action: 'skip' | 'fail'; reason: string } {
  const reasons = [...new Set(requirements.map(look).filter((reason) => reason !== null))];
  if (reasons.length === 0) return { action: 'run' };
  return { action: isCi ? 'fail' : 'skip', reason: reasons.join('; ') };
}

interface DescribeOptions {
  /** for each test; vitest's own unless given */
  timeoutMs?: number;
}

/**
 * `describe` for tests that need more than node: runs them, skips them loudly, or fails under CI=true.
 * Options may stand before the body.
 */
export function describeWith(
  requirements: readonly Requirement[],
  title: string,
  ...rest: [body: () => void] | [options: DescribeOptions, body: () => void]
): void {
  const [options, body] = rest.length === 1 ? [{}, rest[0]] : rest;
  const timed = options.timeoutMs === undefined ? {} : { timeout: options.timeoutMs };
  const decision = decide(requirements, { isCi: process.env.CI === 'true' });
  if (decision.action === 'run') {
    describe(title, timed, body);
  } else if (decision.action === 'skip') {
    process.stderr.write(`skipped: ${title}: ${decision.reason}\n`);
    describe.skip(`${title} [skipped: ${decision.reason}]`, timed, body);
  } else {
    describe(title, () => {
      it('has on this machine what CI installs', () => {
        throw new Error(`missing on CI: ${decision.reason} (tests/lab/debian-packages.txt)`);
      });
    });
  }
}
