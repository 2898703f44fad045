import type { NodeStanding, Silence } from '../../batch/roll-call/classify.ts';
import type { KeyOwner } from '../../batch/roll-call/known-keys.ts';
import { escapeText } from '../../contract/escape-text.ts';
import { formatDuration } from '../text/durations.ts';
import type { Tone } from '../text/ink.ts';

/** How a node stands, in words: one that fits beside its name, what was seen, and what to do. */
export interface StandingWords {
  short: string;
  tone: Tone;
  /** sentences */
  seen: readonly string[];
  next: readonly string[];
}

const foreign = (text: string) => escapeText(text, 80);

/** @param waitedMs since the first knock; null where the roll was called once */
export function wordsOf(standing: NodeStanding, set: string, waitedMs: number | null): StandingWords {
  const { node } = standing;
  switch (standing.state) {
    case 'ours':
      return { short: 'here, and the one we made', tone: 'good', seen: [], next: [] };
    case 'other-name':
      return {
        short: 'here and ours, under another name',
        tone: 'care',
        seen: [`It calls itself ${foreign(standing.calls)}${takenBy(node, standing.taken)}.`],
        next: [`Find the other machine that is called ${node}, rename it, then start this node again.`],
      };
    case 'elsewhere':
      return {
        short: `here and ours, but at ${standing.at}`,
        tone: 'care',
        seen: [],
        next: ['Look at its network settings: it did not take the address that the plan gives it.'],
      };
    case 'other-key':
      return otherKeyWords(standing, set);
    case 'stranger':
      return {
        short: 'a machine answers that we never made',
        tone: 'bad',
        seen: [`Its host key is ${standing.fingerprint}; no record knows it.`],
        next: ['Do not log in there. Find out which machine has this address, or give the node another one.'],
      };
    case 'incomparable':
      return {
        short: 'a machine answers; no key to compare',
        tone: 'care',
        seen: [
          standing.because === 'left to the image'
            ? `The plan leaves host keys to the image; this one shows ${standing.fingerprint}.`
            : `No record says that a card was made for this node; the machine shows ${standing.fingerprint}.`,
        ],
        next: [
          standing.because === 'left to the image'
            ? 'Compare the fingerprint at the node itself, or write "hostKeys: create" and make the cards anew.'
            : 'Make its card, or see that the right records are used (--records).',
        ],
      };
    case 'no-answer':
      return silentWords(standing, waitedMs);
  }
}

function takenBy(node: string, taken: readonly string[]): string {
  if (taken.length === 0) return `, not ${node}.local: another machine had that name first`;
  return `; ${node}.local is ${taken.join(', ')}, another machine, which had the name first`;
}

function otherKeyWords(standing: NodeStanding & { state: 'other-key' }, set: string): StandingWords {
  const { node, owner, fingerprint } = standing;
  if (owner === null) {
    return {
      short: 'here under its name, with a foreign key',
      tone: 'bad',
      seen: [`We never made its host key ${fingerprint}.`],
      next: ['If its host keys were made anew on purpose, make its card again; if not, do not log in there.'],
    };
  }
  const record = owner.record === null ? '' : ` (record ${owner.record})`;
  if (owner.node === node && owner.set === set) {
    return {
      short: 'here, with a key of an earlier card',
      tone: 'care',
      seen: [`Its host key is that of an earlier card of ${node}${record}.`],
      next: ['Put the card that was made last into this machine.'],
    };
  }
  const whose = ownerName(owner, set);
  const short = `here, but its host key is ${whose}'s`;
  switch (standing.with) {
    case 'swapped':
      return {
        short,
        tone: 'bad',
        seen: [`The cards of ${node} and ${owner.node} are swapped.`],
        next: [`Put each of the two cards into the other machine.`],
      };
    case 'copied':
      return {
        short,
        tone: 'bad',
        seen: [`${whose} answers with this key as well: one of the two cards is a copy.`],
        next: [`Make a card for ${node}; no two machines may share a host key.`],
      };
    case null:
      return {
        short,
        tone: 'bad',
        seen: owner.isLatest ? [] : [`It is that of an earlier card of ${whose}${record}.`],
        next: [`Take the card of ${whose} out of this machine, and put in the one made for ${node}.`],
      };
  }
}

function ownerName(owner: KeyOwner, set: string): string {
  if (owner.set === set) return owner.node;
  return owner.set === null ? owner.node : `${owner.node} of ${owner.set}`;
}

function silentWords(
  { node, silence, announced }: NodeStanding & { state: 'no-answer' },
  waitedMs: number | null,
): StandingWords {
  const elsewhere = announced.length > 0 ? [`${node}.local is announced at ${announced.join(', ')}.`] : [];
  const waited = waitedMs === null ? '' : ` for ${formatDuration(waitedMs)}`;
  const { seen, next } = silences(silence);
  return {
    short: `no answer${waited}`,
    tone: 'care',
    seen: [...seen, ...elsewhere],
    next: [next],
  };
}

function silences(silence: Silence): { seen: string[]; next: string } {
  switch (silence.kind) {
    case 'silent':
      return { seen: [], next: 'See that it has power and a network cable; a first start takes minutes.' };
    case 'not-found':
      return {
        seen: ['Nothing on this network goes by its name.'],
        next: 'See that it has power; where names are not told on this network, try --search with the network.',
      };
    case 'unreachable':
      return {
        seen: [`No machine has this address, or no way leads there (${silence.why}).`],
        next: 'See that it has power, a network cable, and that this machine is in the same network.',
      };
    case 'refused':
      return {
        seen: ['A machine is there, but nothing takes SSH connections yet.'],
        next: 'Wait until its first start is over; if it stays so, SSH is switched off in the image.',
      };
    case 'mute':
      return {
        seen: ['A connection opens, but nothing is said.'],
        next: 'Wait until its first start is over; if it stays so, start it again.',
      };
    case 'broken':
      return {
        seen: [`Something answers, but not as an SSH server does: ${foreign(silence.why)}.`],
        next: 'Wait until its first start is over; if it stays so, see which machine has this address.',
      };
  }
}
