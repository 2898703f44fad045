/** Trees that belong to the running system. What is mounted there is never taken away, whatever a policy says. */
const systemTrees =
  'bin boot cdrom dev efi etc gnu home lib lib32 lib64 libx32 nix opt proc root run sbin sys usr var'
    .split(' ')
    .map((name) => `/${name}`);

/** The one place under a system tree where desktops put cards. */
const cardPlaceInRun = '/run/media';

/** True for an absolute path without empty, `.` or `..` parts and without a slash at its end. */
export function isPlainPath(path: string): boolean {
  if (!path.startsWith('/')) return false;
  return path
    .slice(1)
    .split('/')
    .every((part) => part !== '' && part !== '.' && part !== '..');
}

/** True when `path` lies strictly below `place`; both are plain paths. */
export function isBelow(path: string, place: string): boolean {
  return path.startsWith(`${place}/`);
}

function isAtOrBelow(path: string, place: string): boolean {
  return path === place || isBelow(path, place);
}

/**
 * Whether a policy may name this folder in `unmountBelow`: a plain path outside the trees of the running system.
 * `/` is none: everything would lie below it.
 */
export function isUnmountPlace(path: string): boolean {
  if (!isPlainPath(path)) return false;
  if (isAtOrBelow(path, cardPlaceInRun)) return true;
  return !systemTrees.some((tree) => isAtOrBelow(path, tree));
}

/** Whether what is mounted at `mountPoint` may be unmounted with consent: strictly below one of the places. */
export function isBelowUnmountPlace(mountPoint: string, places: readonly string[]): boolean {
  if (!isPlainPath(mountPoint)) return false;
  return places.some((place) => isUnmountPlace(place) && isBelow(mountPoint, place));
}
