import { unescapeOctal } from './octal-escapes.ts';

/** One line of /proc/PID/mountinfo (proc_pid_mountinfo(5)), escapes undone. */
export interface MountLine {
  majorMinor: string;
  /** the folder of that file system which is mounted here */
  root: string;
  mountPoint: string;
  /** per-mount options as listed, `ro` or `rw` first */
  options: string;
  fsType: string;
  source: string;
  /** options of the file system, still with the kernel's escapes, since its own separators are escaped too */
  superOptions: string;
}

/** Parses mountinfo; a line that does not have the published shape is given back in `odd`, never dropped unsaid. */
export function parseMountinfo(text: string): { mounts: MountLine[]; odd: string[] } {
  const mounts: MountLine[] = [];
  const odd: string[] = [];
  for (const line of text.split('\n')) {
    if (line === '') continue;
    const fields = line.split(' ');
    const dash = fields.indexOf('-', 6);
    const [, , majorMinor = '', root = '', mountPoint = '', options = ''] = fields;
    const [fsType = '', source = '', superOptions = ''] = fields.slice(dash + 1);
    if (dash < 0 || fsType === '' || !/^\d+:\d+$/.test(majorMinor)) {
      odd.push(line);
      continue;
    }
    mounts.push({
      majorMinor,
      root: unescapeOctal(root),
      mountPoint: unescapeOctal(mountPoint),
      options,
      fsType: unescapeOctal(fsType),
      source: unescapeOctal(source),
      superOptions,
    });
  }
  return { mounts, odd };
}
