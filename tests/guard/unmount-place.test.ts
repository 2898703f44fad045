import { describe, expect, it } from 'vitest';
import { defaultPolicy } from '../../src/contract/policy.ts';
import { isBelowUnmountPlace, isPlainPath, isUnmountPlace } from '../../src/guard/unmount-place.ts';

describe('places where cards are mounted', () => {
  it.each(['/media', '/media/grower', '/mnt', '/run/media', '/run/media/grower', '/srv/cards', '/tmp/trial'])(
    '%s may be one',
    (place) => {
      expect(isUnmountPlace(place)).toBe(true);
    },
  );

  it.each(
    // Directories of the Filesystem Hierarchy Standard 3.0, chapters 3 to 6, that hold the running system.
    // /lib32, /libx32 (Debian's base-files and libc) and /gnu: trees of systems that come with more than one library folder
    // or keep programs in a store; common practice, no source.
    '/gnu /gnu/store /lib32 /libx32 / /bin /boot /boot/efi /dev /etc /home /home/grower /lib /lib64 /opt /proc /root /run /run/live /run/mediax /sbin /sys /usr /usr/local /var /var/tmp'.split(
      ' ',
    ),
  )('%s never is', (place) => {
    expect(isUnmountPlace(place)).toBe(false);
  });

  it.each(['', 'media', '/media/', '//media', '/media/../usr', '/media/.', '/./media'])(
    '%j is no plain path',
    (path) => {
      expect(isPlainPath(path)).toBe(false);
      expect(isUnmountPlace(path)).toBe(false);
    },
  );

  it('holds for all places of the built-in policy', () => {
    expect(defaultPolicy.unmountBelow.every(isUnmountPlace)).toBe(true);
  });

  it('counts only what lies strictly below, whole names only', () => {
    expect(isBelowUnmountPlace('/media/a', ['/media'])).toBe(true);
    expect(isBelowUnmountPlace('/media', ['/media'])).toBe(false);
    expect(isBelowUnmountPlace('/mediax/a', ['/media'])).toBe(false);
    expect(isBelowUnmountPlace('/media/a/../../usr', ['/media'])).toBe(false);
    expect(isBelowUnmountPlace('/home/a/card', ['/', '/home'])).toBe(false);
    expect(isBelowUnmountPlace('/mnt/a', ['/media', '/mnt'])).toBe(true);
    expect(isBelowUnmountPlace('/mnt/a', [])).toBe(false);
  });
});
