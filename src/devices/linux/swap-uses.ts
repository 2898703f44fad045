import { parseSwaps, type SwapLine } from './parse-swaps.ts';
import { type Home, homeOfFile } from './storage-homes.ts';
import { recordHome, type Survey } from './survey.ts';

async function homeOfSwap(survey: Survey, { path, kind }: SwapLine): Promise<Home> {
  const home = await homeOfFile(survey.tables, path);
  // A node that is gone does not end the swapping; the kernel's own name still tells which device it is.
  const name = path.replace(/^\/dev\//, '').replaceAll('/', '!');
  return home.why !== null && kind === 'partition' && survey.map.byName.has(name)
    ? { blocks: [name], why: null }
    : home;
}

/** Notes every active swap on the disks beneath it; gives the block devices directly beneath. */
export async function recordSwaps(survey: Survey): Promise<string[]> {
  const text = await survey.reader.readText('/proc/swaps');
  if (!text.ok) {
    // A kernel built without swapping has no such file.
    if (text.why !== 'ENOENT') survey.unseen.push({ what: '/proc/swaps', why: text.why, decides: true });
    return [];
  }
  const { swaps, odd } = parseSwaps(text.value);
  for (const line of odd) {
    survey.unseen.push({ what: 'a line of /proc/swaps', why: `not understood: ${line}`, decides: true });
  }
  const blocks: string[] = [];
  for (const swap of swaps) {
    const home = await homeOfSwap(survey, swap);
    recordHome(survey, home, `${swap.path} (swap ${swap.kind})`, { kind: 'swap', what: swap.path });
    blocks.push(...home.blocks);
  }
  return blocks;
}
