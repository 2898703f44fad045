/** sd_listen_fds(3): descriptors from this number on were opened for us. */
const firstFd = 3;

/**
 * The sockets that were opened for this process before it started, by name (LISTEN_FDS, LISTEN_FDNAMES; a LISTEN_PID
 * that is another's means none are ours).
 */
export function listenFds(
  env: Readonly<Record<string, string | undefined>>,
  pid: number,
): Map<string, number> {
  const count = Number(env.LISTEN_FDS ?? '0');
  const isOurs = env.LISTEN_PID === undefined || Number(env.LISTEN_PID) === pid;
  if (!isOurs || !Number.isInteger(count) || count < 1 || count > 16) return new Map();
  const names = (env.LISTEN_FDNAMES ?? '').split(':');
  return new Map(
    Array.from({ length: count }, (_none, index) => [names[index] ?? `${index}`, firstFd + index]),
  );
}
