import type { Finding } from '../../src/contract/finding.ts';

const told = ['what', 'on', 'through', 'tenant', 'name', 'why'];

/**
 * A finding in a few words, as the tables of expectations have it: "refuse mounted-elsewhere / on sda2". What stands
 * between is told where it is more than that partition: "refuse mount-stacked / on nvme0n1p3 through dm-0 (keep)".
 * Numbers that every capture has anew, of processes and of unnamed volumes, are left out.
 */
export function reasonWords({ severity, code, facts }: Finding): string {
  const has = (name: string) => told.includes(name) && facts[name] !== undefined;
  const words = [severity, code.replace('guard.', '')];
  if (has('what')) words.push(String(facts.what));
  if (has('on')) words.push(`on ${facts.on}`);
  if (has('through') && facts.through !== facts.on) words.push(`through ${facts.through}`);
  if (has('tenant')) words.push(`with ${facts.tenant}`);
  if (has('name')) words.push(`called ${facts.name}`);
  if (has('why')) words.push(`because ${facts.why}`);
  return words
    .join(' ')
    .replace(/\bpid \d+/, 'pid N')
    .replace(/called [0-9a-f]{8}$/, 'called by its UUID');
}
