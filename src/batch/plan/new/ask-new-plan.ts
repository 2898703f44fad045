import { isAbsolute, relative, resolve } from 'node:path';
import {
  checkAddress,
  checkHostName,
  checkUserName,
  isInNetwork,
  isSameAddress,
  parseCidr,
} from '../../../identity/names.ts';
import { checkSetName } from '../check-names.ts';
import { addressesFrom, mostNodes, type NewPlan, usualGateway, whyNotAddresses } from './new-plan.ts';

/** One question: gives the answer with the blanks around it taken off; empty where the person just pressed Enter. */
export interface Asker {
  ask(question: string): Promise<string>;
  /** says why an answer will not do */
  say(sentence: string): void;
}

/** What the station can tell beforehand, so that Enter is often enough. Paths are absolute. */
export interface Guesses {
  folder: string;
  set: string;
  user: string;
  image: string | null;
  key: string | null;
  /** why no key can be had from a file, or null */
  whyNoKey(path: string): Promise<string | null>;
  isFile(path: string): Promise<boolean>;
}

interface Question {
  text: string;
  usual: string | null;
  /** why the answer will not do; null when it will */
  check(answer: string): string | null | Promise<string | null>;
}

async function put({ ask, say }: Asker, { text, usual, check }: Question): Promise<string> {
  for (;;) {
    const typed = (await ask(usual === null || usual === '' ? `${text}: ` : `${text} [${usual}]: `)).trim();
    const answer = typed === '' ? (usual ?? '') : typed;
    const why = await check(answer);
    if (why === null) return answer;
    say(`That will not do: ${why}.`);
  }
}

/** Asks until all that a plan needs is there, each answer checked as the plan itself will be. */
export async function askNewPlan(asker: Asker, guesses: Guesses): Promise<NewPlan> {
  const { folder } = guesses;
  const inPlan = (path: string) => pathInPlan(folder, path);
  const set = await put(asker, { text: 'Name of the set', usual: guesses.set, check: checkSetName });
  const image = await put(asker, {
    text: 'Image file, or - to name it later',
    usual: guesses.image === null ? '-' : inPlan(guesses.image),
    check: async (path) =>
      path === '-' || (await guesses.isFile(resolve(folder, path))) ? null : 'there is no such file',
  });
  const user = await put(asker, { text: 'User who may log in', usual: guesses.user, check: checkUserName });
  const key = await put(asker, {
    text: "File of that user's public key",
    usual: guesses.key === null ? null : inPlan(guesses.key),
    check: (path) => guesses.whyNoKey(resolve(folder, path)),
  });
  const stem = await put(asker, {
    text: 'What nodes are called, before their number',
    usual: checkHostName(set) === null ? set : 'node',
    check: (name) => checkHostName(`${name}-001`),
  });
  const count = Number(await put(asker, { text: 'How many nodes', usual: '4', check: whyNoCount }));
  const network = await askNetwork(asker, count);
  return {
    set,
    image: image === '-' ? null : inPlan(resolve(folder, image)),
    user,
    keys: [inPlan(resolve(folder, key))],
    stem,
    count,
    ...network,
  };
}

function whyNoCount(text: string): string | null {
  const count = Number(text);
  return /^[0-9]+$/.test(text) && count >= 1 && count <= mostNodes
    ? null
    : `a number from 1 to ${mostNodes} is wanted`;
}

async function askNetwork(asker: Asker, count: number): Promise<Pick<NewPlan, 'firstAddress' | 'gateway'>> {
  const first = await put(asker, {
    text: 'Address of the first node, like 192.0.2.11/24, or - if the network gives them',
    usual: '-',
    check: (text) => (text === '-' ? null : whyNotAddresses(text, count)),
  });
  if (first === '-') return { firstAddress: null, gateway: null };
  const gateway = await put(asker, {
    text: 'Address of the router',
    usual: usualGateway(first),
    check: (text) => whyNoGateway(text, first, count),
  });
  return { firstAddress: first, gateway };
}

function whyNoGateway(text: string, first: string, count: number): string | null {
  const why = checkAddress(text);
  if (why !== null) return why;
  const network = parseCidr(first);
  if (!network.ok || !isInNetwork(network.cidr, text)) return 'it is in another network than the nodes';
  const taken = addressesFrom(first, count).some((one) => isSameAddress(one.split('/')[0] ?? '', text));
  return taken ? 'it would be the address of a node' : null;
}

/** Below the plan's folder as a path from there, elsewhere whole. */
function pathInPlan(folder: string, path: string): string {
  const short = relative(folder, path);
  return short.startsWith('..') || isAbsolute(short) ? path : short;
}
