/** So many rivals for one name are more than a set of cards brings about. */
const mostRivals = 3;

/**
 * The names under which a node may be found over multicast DNS: its own, then those that it takes when somebody else
 * has its own. RFC 6762 section 9 has "-2" put behind it; some responders count a number up that the name ends in.
 */
export function namesOfNode(name: string): string[] {
  const [, stem, digits] = /^(.*-)([1-9][0-9]*)$/.exec(name) ?? [];
  const counted = (step: number) => (digits === undefined ? [] : [`${stem}${Number(digits) + step}`]);
  const steps = Array.from({ length: mostRivals }, (_, at) => at + 1);
  const others = steps.flatMap((step) => [`${name}-${step + 1}`, ...counted(step)]);
  return [name, ...others].map((one) => `${one}.local`);
}
