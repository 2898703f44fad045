import { connect } from 'node:net';
import { setTimeout as pause } from 'node:timers/promises';

/** At most so many a second: a small network's switch and its slowest machines never notice. */
const startsApartMs = 25;
const mostAtOnce = 32;
const answerMs = 1000;
const sshPort = 22;

/** Knocks once at the SSH port of each address, slowly; gives those that open, in their order. */
export async function sweepNetwork(addresses: readonly string[], signal: AbortSignal): Promise<string[]> {
  const open = new Set<string>();
  const underWay = new Set<Promise<void>>();
  for (const address of addresses) {
    if (signal.aborted) break;
    while (underWay.size >= mostAtOnce) await Promise.race(underWay);
    const knock: Promise<void> = isOpen(address).then((opens) => {
      if (opens) open.add(address);
      underWay.delete(knock);
    });
    underWay.add(knock);
    await pause(startsApartMs);
  }
  await Promise.all(underWay);
  return addresses.filter((address) => open.has(address));
}

function isOpen(address: string): Promise<boolean> {
  return new Promise((resolve) => {
    const socket = connect({ host: address, port: sshPort, timeout: answerMs });
    const end = (opens: boolean) => {
      socket.destroy();
      resolve(opens);
    };
    socket.once('connect', () => end(true));
    socket.once('timeout', () => end(false));
    socket.once('error', () => end(false));
  });
}
