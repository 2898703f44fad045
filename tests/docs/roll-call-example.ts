import type { Roll } from '../../src/batch/roll-call/call-roll.ts';
import { classifyRoll, type NodeQuestion } from '../../src/batch/roll-call/classify.ts';
import type { KnownKeys } from '../../src/batch/roll-call/known-keys.ts';
import type { Meeting } from '../../src/batch/roll-call/meeting.ts';
import { rollCallScreen } from '../../src/cli/screens/roll-call-screen.ts';
import { plainSheet } from '../../src/cli/text/sheet.ts';
import type { PlanNode } from '../../src/contract/plan.ts';

const numbers = [1, 2, 3, 4, 5, 6, 7];
const nameOf = (number: number) => `orchard-0${number}`;
const keyOf = (name: string) => `SHA256:${Buffer.from(name.padEnd(32, '.')).toString('base64').slice(0, 43)}`;

/** Who shows whose key; nobody made the key of "a stranger". */
const shown = new Map([
  [1, nameOf(1)],
  [2, nameOf(3)],
  [3, nameOf(2)],
  [5, 'a stranger'],
  [6, nameOf(6)],
  [7, nameOf(7)],
]);

const node = (number: number): PlanNode => ({
  name: nameOf(number),
  slot: `A${number}`,
  role: null,
  address: number === 7 ? null : `192.0.2.1${number}/24`,
  link: 'wired',
  variables: {},
  files: [],
  boot: { kernelLine: { add: [], remove: [] }, firmware: [] },
  firstBoot: { files: [], commands: [] },
});

function question(number: number): NodeQuestion {
  const name = nameOf(number);
  const key = shown.get(number);
  const meeting: Meeting =
    key === undefined
      ? { kind: 'refused' }
      : { kind: 'keys', keys: [{ type: 'ssh-ed25519', fingerprint: keyOf(key) }] };
  const isNamed = number === 7;
  return {
    name,
    planned: isNamed ? null : `192.0.2.1${number}`,
    keysMade: 'here',
    sightings: [
      {
        address: isNamed ? '192.0.2.107' : `192.0.2.1${number}`,
        meeting,
        via: isNamed ? 'name' : 'plan',
        names: number === 6 ? ['orchard-06-2.local'] : [],
      },
    ],
    announced: number === 6 ? ['192.0.2.60'] : [],
  };
}

/** An evening on which much went wrong, through the same comparison and screen as on a real network. */
export function showRollCall(): string {
  const made = numbers.map(nameOf);
  const keys: KnownKeys = {
    nodes: new Map(
      made.map((name) => [
        name,
        {
          hostKeys: [{ publicKey: 'ssh-ed25519 AAAA', fingerprint: keyOf(name) }],
          hostNames: [name],
          record: 1,
        },
      ]),
    ),
    owners: new Map(
      made.map((name) => [keyOf(name), { set: 'orchard', node: name, record: 1, isLatest: true }]),
    ),
  };
  const standings = classifyRoll('orchard', numbers.map(question), keys);
  const entries = standings.map((standing, at) => ({
    node: node(at + 1),
    standing,
    hardware: at === 6 ? '02:00:5e:10:00:07' : null,
  }));
  const roll: Roll = { entries, elapsedMs: 130_000 };
  const lines = rollCallScreen(roll, { ...plainSheet, set: 'orchard', hasWaited: true });
  return `$ sudo cardwright rollcall orchard.yaml --wait 2m\n${lines.join('\n')}\n(exit status 12)\n`;
}
