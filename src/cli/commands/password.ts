import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { ExitStatus } from '../../contract/exit-status.ts';
import { makePasswordHash, makeSalt, usualRounds, whyNoPassword } from '../../identity/make-password-hash.ts';
import { deriveWifiKey, whyNoWifiName, whyNoWifiPhrase } from '../../identity/wifi-key.ts';
import type { Desk } from '../desk.ts';
import { askPhrases, readPhrase } from '../read-phrase.ts';
import { done } from '../run-command.ts';

export interface PasswordOptions {
  fromFd?: string;
  wifi?: string;
}

/**
 * Prints what stands for a phrase in a plan: a password hash, or the key of a wireless network. The phrase comes from
 * a prompt or a descriptor and is overwritten as soon as the result is there.
 */
export async function passwordCommand(desk: Desk, options: PasswordOptions): Promise<ExitStatus> {
  const { wifi } = options;
  const whyNoName = wifi === undefined ? null : whyNoWifiName(wifi);
  if (whyNoName !== null) {
    const facts = { option: '--wifi', value: wifi ?? '', expected: `a network's name, but ${whyNoName}` };
    throw new CardwrightError('usage.bad-value', { facts });
  }
  const phrase = await takePhrase(options.fromFd, desk.signal);
  try {
    const why = wifi === undefined ? whyNoPassword(phrase) : whyNoWifiPhrase(phrase);
    if (why !== null) throw new CardwrightError('usage.bad-phrase', { facts: { why } });
    const made =
      wifi === undefined ? makePasswordHash(phrase, makeSalt(), usualRounds) : deriveWifiKey(phrase, wifi);
    desk.output.show('password', {}, () => [made]);
    return done;
  } finally {
    phrase.fill(0);
  }
}

async function takePhrase(fromFd: string | undefined, signal: AbortSignal): Promise<Uint8Array> {
  if (fromFd !== undefined) return readPhrase(descriptorNumber(fromFd), signal);
  const { stdin, stderr } = process;
  if (!stdin.isTTY) return readPhrase(0, signal);
  const [first = new Uint8Array(), second = new Uint8Array()] = await askPhrases(
    ['phrase: ', 'again:  '],
    stdin,
    stderr,
  );
  const isSame = Buffer.compare(first, second) === 0;
  second.fill(0);
  if (isSame) return first;
  first.fill(0);
  throw new CardwrightError('usage.phrases-differ');
}

function descriptorNumber(text: string): number {
  if (/^\d{1,4}$/.test(text)) return Number(text);
  const facts = { option: '--from-fd', value: text, expected: 'the number of an open descriptor' };
  throw new CardwrightError('usage.bad-value', { facts });
}
