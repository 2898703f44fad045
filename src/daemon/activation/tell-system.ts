import { execa } from 'execa';

/**
 * Tells the service manager how we are (sd_notify(3)), through its own program, since Node has no datagram sockets of
 * that kind. Nothing happens where nobody listens.
 */
export async function tellSystem(...states: string[]): Promise<void> {
  if (process.env.NOTIFY_SOCKET === undefined) return;
  await execa('systemd-notify', states, { reject: false, stdin: 'ignore', timeout: 10_000 });
}
