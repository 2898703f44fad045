import type { KeyOwner, KnownKeys } from './known-keys.ts';
import type { Meeting, Sighting } from './meeting.ts';

/** One node of the set, as it was looked for and what was seen. */
export interface NodeQuestion {
  name: string;
  /** the planned address without its prefix length; null for a node that asks the network for one */
  planned: string | null;
  /** who makes its host keys, as the plan has it */
  keysMade: 'here' | 'by the image';
  /** the planned address, and whatever answered to its name or was guessed */
  sightings: readonly Sighting[];
  /** addresses that are announced for its name, asked or not */
  announced: readonly string[];
}

/** Why a node that should be there cannot be told to be: the meeting at the address that counts. */
export type Silence = Exclude<Meeting, { kind: 'keys' }> | { kind: 'not-found' };

/** How one node stands. `ours` alone is settled. */
export type Standing =
  | { state: 'ours'; at: string }
  /** our card, and another name: somebody else had the name first (RFC 6762 section 9) */
  | { state: 'other-name'; at: string; calls: string; taken: readonly string[] }
  /** our card, and not where the plan has it */
  | { state: 'elsewhere'; at: string }
  /**
   * a key that is not this node's: `owner` is whom it was made for, null where we never made it although the machine
   * has the node's name; `with` says how the two nodes stand to each other
   */
  | { state: 'other-key'; at: string; fingerprint: string; owner: KeyOwner | null; with: Relation | null }
  /** a machine that we know nothing of */
  | { state: 'stranger'; at: string; fingerprint: string }
  /** a machine answers, and there is no key to compare its own with */
  | { state: 'incomparable'; at: string; fingerprint: string; because: 'left to the image' | 'never made' }
  | { state: 'no-answer'; silence: Silence; announced: readonly string[] };

/** `swapped`: each has the other's card. `copied`: the other one answers with this key, too. */
export type Relation = 'swapped' | 'copied';

export type NodeStanding = Standing & { node: string };

interface KeySighting extends Sighting {
  meeting: Extract<Meeting, { kind: 'keys' }>;
}

const metKeys = (sighting: Sighting): sighting is KeySighting =>
  sighting.meeting.kind === 'keys' && sighting.meeting.keys.length > 0;

/**
 * How every node of a set stands, in the order given: what was met is compared with what was made.
 *
 * @param keys the keys that were made here, for this set and for others
 */
export function classifyRoll(
  set: string,
  questions: readonly NodeQuestion[],
  keys: KnownKeys,
): NodeStanding[] {
  const alone = questions.map((question) => ({
    ...classifyNode(question, keys),
    node: question.name,
  }));
  return alone.map((standing) => relate(standing, alone, set));
}

function classifyNode(question: NodeQuestion, keys: KnownKeys): Standing {
  const expected = keys.nodes.get(question.name)?.hostKeys ?? [];
  const met = question.sightings.filter(metKeys);
  const own = met.filter(({ meeting }) => isOwn(meeting.keys, expected));
  const inPlace = own.find(({ address }) => question.planned === null || address === question.planned);
  if (inPlace) return classifyOwn(question, inPlace);
  // What was only guessed counts for a node only if it has the node's key.
  const other = met.find(({ via }) => via !== 'guess');
  if (other) return classifyOther(question, other, expected, keys);
  const moved = own[0];
  if (moved) return { state: 'elsewhere', at: moved.address };
  return classifyAbsent(question);
}

/** Each key of a type that was made here must be the one that was made; keys of other types say nothing. */
function isOwn(
  met: KeySighting['meeting']['keys'],
  expected: readonly { publicKey: string; fingerprint: string }[],
): boolean {
  const madeTypes = new Set(expected.map(({ publicKey }) => publicKey.split(' ')[0]));
  const made = new Set(expected.map(({ fingerprint }) => fingerprint));
  const comparable = met.filter(({ type }) => madeTypes.has(type));
  return comparable.length > 0 && comparable.every(({ fingerprint }) => made.has(fingerprint));
}

const fullName = (name: string) => `${name}.local`;

function classifyOwn({ name, announced }: NodeQuestion, { address, names }: KeySighting): Standing {
  const [calls] = names;
  if (calls === undefined || names.includes(fullName(name))) return { state: 'ours', at: address };
  const taken = announced.filter((one) => one !== address);
  return { state: 'other-name', at: address, calls, taken };
}

function classifyOther(
  { name, keysMade }: NodeQuestion,
  sighting: KeySighting,
  expected: readonly { fingerprint: string }[],
  { owners }: KnownKeys,
): Standing {
  const at = sighting.address;
  const foreign = sighting.meeting.keys
    .map(({ fingerprint }) => fingerprint)
    .filter((one) => !expected.some(({ fingerprint }) => fingerprint === one));
  const fingerprint = foreign.find((one) => owners.has(one)) ?? foreign[0] ?? '';
  const owner = owners.get(fingerprint) ?? null;
  if (owner) return { state: 'other-key', at, fingerprint, owner, with: null };
  if (expected.length === 0) {
    const because = keysMade === 'here' ? 'never made' : 'left to the image';
    return { state: 'incomparable', at, fingerprint, because };
  }
  const hasName = sighting.names.includes(fullName(name));
  return hasName
    ? { state: 'other-key', at, fingerprint, owner: null, with: null }
    : { state: 'stranger', at, fingerprint };
}

function classifyAbsent({ planned, sightings, announced }: NodeQuestion): Standing {
  const asked = sightings.find(({ address, via }) => via !== 'guess' && (planned ?? address) === address);
  const silence: Silence =
    asked === undefined || asked.meeting.kind === 'keys' ? { kind: 'not-found' } : asked.meeting;
  return { state: 'no-answer', silence, announced: announced.filter((one) => one !== planned) };
}

function relate(standing: NodeStanding, all: readonly NodeStanding[], set: string): NodeStanding {
  if (standing.state !== 'other-key' || standing.owner?.set !== set || !standing.owner.isLatest)
    return standing;
  const { owner } = standing;
  const other = all.find(({ node }) => node === owner.node);
  if (other?.state === 'ours' && other.at !== standing.at) return { ...standing, with: 'copied' };
  const isMutual =
    other?.state === 'other-key' && other.owner?.set === set && other.owner.node === standing.node;
  return isMutual ? { ...standing, with: 'swapped' } : standing;
}
