import { execa } from 'execa';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { Disk } from '../../contract/devices.ts';

/** Mount points of the card's own plain mounts, deepest first. */
export function mountsOf(disk: Disk): string[] {
  const points = disk.uses.filter((use) => use.kind === 'mount').map((use) => use.what);
  return [...new Set(points)].sort((a, b) => b.length - a.length);
}

/**
 * Unmounts the card's mounts, never lazily: a lazily unmounted volume stays open behind our back.
 *
 * @throws CardwrightError `job.unmount-failed`; earlier ones stay unmounted
 */
export async function unmountCard(disk: Disk): Promise<void> {
  for (const mount of mountsOf(disk)) {
    const result = await execa('umount', ['--', mount], { reject: false, stdin: 'ignore' });
    if (result.failed) {
      const reason = result.stderr || result.shortMessage || 'no reason given';
      throw new CardwrightError('job.unmount-failed', { card: 'untouched', facts: { mount, reason } });
    }
  }
}
