import * as fs from 'node:fs';
import { constants } from 'node:os';
import { workerDescriptors } from './protocol.ts';

const lastGiven = Math.max(...Object.values(workerDescriptors));
/** O_CLOEXEC on Linux (fcntl.h); proc(5), /proc/pid/fdinfo, shows it among the flags, in octal. */
const closeOnExec = 0o2000000;

/**
 * Closes what came along from whoever started the tool: a shell's own descriptors, say. What was open before this
 * program began has no close-on-exec flag, else it would be gone; Node gives it to everything of its own.
 */
export function closeInherited(): void {
  for (const name of fs.readdirSync('/proc/self/fd')) {
    const fd = Number(name);
    if (fd <= lastGiven || !isInherited(fd)) continue;
    fs.closeSync(fd);
  }
}

function isInherited(fd: number): boolean {
  try {
    const [, flags] = /^flags:\s*([0-7]+)$/m.exec(fs.readFileSync(`/proc/self/fdinfo/${fd}`, 'latin1')) ?? [];
    return flags !== undefined && (Number.parseInt(flags, 8) & closeOnExec) === 0;
  } catch (error) {
    // The descriptor of the listing itself is closed by now.
    if ((error as NodeJS.ErrnoException).errno === -constants.errno.ENOENT) return false;
    throw error;
  }
}
