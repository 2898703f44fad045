import * as fs from 'node:fs/promises';

/**
 * Hardware addresses by IPv4 address, of the machines that this one has just spoken with (proc(5), /proc/net/arp);
 * anybody may read them. Machines behind a router are not among them.
 */
export async function readNeighbours(path = '/proc/net/arp'): Promise<ReadonlyMap<string, string>> {
  const text = await fs.readFile(path, 'utf8').catch(() => '');
  return parseNeighbours(text);
}

/** Columns: address, hardware type, flags, hardware address, … Flag 2 says that the entry is complete. */
export function parseNeighbours(text: string): ReadonlyMap<string, string> {
  const found = new Map<string, string>();
  for (const line of text.split('\n').slice(1)) {
    const [address, , flags, hardware] = line.trim().split(/\s+/);
    const isWhole = (Number(flags) & 2) !== 0;
    if (address && hardware && isWhole && /^([0-9a-f]{2}:){5}[0-9a-f]{2}$/i.test(hardware)) {
      found.set(address, hardware.toLowerCase());
    }
  }
  return found;
}
