import type { PaperFacts } from './roll-paper.ts';

const line = /^((?:[0-9a-f]{2}:){5}[0-9a-f]{2}) ([a-z0-9-]+)$/;

/**
 * Hardware addresses and names (ethers(5)), for reservations at a DHCP server: of machines that hold our cards. One
 * that does not answer today keeps the entry that it has.
 *
 * @param before what the file said until now
 */
export function makeEthers({ nodes, roll }: PaperFacts, before: string): string {
  const kept = new Map(
    before.split('\n').flatMap((text) => {
      const [, hardware, name] = line.exec(text) ?? [];
      return hardware !== undefined && name !== undefined ? [[name, hardware] as const] : [];
    }),
  );
  for (const { node, standing, hardware } of roll.entries) {
    const isOurs = standing.state === 'ours' || standing.state === 'other-name';
    if (isOurs && hardware !== null) kept.set(node.name, hardware);
  }
  const lines = nodes.flatMap(({ name }) => (kept.has(name) ? [`${kept.get(name)} ${name}`] : []));
  return lines.map((text) => `${text}\n`).join('');
}
