import { isIP } from 'node:net';
import multicastDns, { type MulticastDNS, type QueryPacket, type ResponsePacket } from 'multicast-dns';

/** What multicast DNS told; all names in lower case without a final dot. */
export interface NamesHeard {
  /** addresses by name, "orchard-01.local" */
  addresses: ReadonlyMap<string, readonly string[]>;
  /** names by address */
  names: ReadonlyMap<string, readonly string[]>;
}

/** Asks for names on every network that this machine is in (RFC 6762). */
export interface NameAsker {
  /**
   * @param names whose addresses are wanted
   * @param addresses whose names are wanted (IPv4)
   */
  ask(names: readonly string[], addresses: readonly string[]): Promise<NamesHeard>;
  /** why nobody can be asked, or not everywhere; null where all is well */
  problem(): string | null;
  close(): void;
}

/** A question takes some 30 bytes: so many fit into one packet of any network. */
const questionsAtOnce = 20;
/** Nobody has more addresses or names; whoever tells more is not believed on the rest. */
const mostAnswers = 8;

/**
 * Packets go out from port 5353 itself, so that answers are multicast: those come through beside a responder that
 * this machine runs on that port already (RFC 6762 section 15.1).
 *
 * @param interfaces the machine's own IPv4 addresses, one a network
 * @param listenMs how long answers are waited for
 */
export function openNameAsker(interfaces: readonly string[], listenMs = 1500): NameAsker {
  let problem: string | null = interfaces.length === 0 ? 'this machine is in no IPv4 network' : null;
  let listen: (packet: ResponsePacket) => void = ignore;
  const sockets = interfaces.map((address) => {
    const socket = multicastDns({ interface: address, bind: '0.0.0.0', loopback: true });
    socket.on('response', (packet) => listen(packet));
    socket.on('error', (error: Error) => {
      problem = error.message;
    });
    socket.on('warning', ignore);
    return socket;
  });
  return {
    async ask(names, addresses) {
      const heard = createHeard(names, addresses);
      listen = heard.take;
      const packets = questionsOf(names, addresses);
      // Twice, since a packet may get lost; nobody is answered more often than once a second anyway (section 6).
      for (let round = 0; round < 2; round++) {
        for (const socket of sockets) await sendAll(socket, packets);
        await new Promise((resolve) => setTimeout(resolve, listenMs / 2));
      }
      listen = ignore;
      return heard;
    },
    problem: () => problem,
    close: () => {
      for (const socket of sockets) socket.destroy();
    },
  };
}

function ignore(): void {
  // A packet that nobody asked for, or that is none: any machine may send one.
}

type Question = NonNullable<QueryPacket['questions']>[number];

function questionsOf(names: readonly string[], addresses: readonly string[]): Question[][] {
  const all: Question[] = [
    ...names.map((name) => ({ name, type: 'A' as const })),
    ...names.map((name) => ({ name, type: 'AAAA' as const })),
    ...addresses.map((address) => ({ name: reverseName(address), type: 'PTR' as const })),
  ];
  return Array.from({ length: Math.ceil(all.length / questionsAtOnce) }, (_, at) =>
    all.slice(at * questionsAtOnce, (at + 1) * questionsAtOnce),
  );
}

function sendAll(socket: MulticastDNS, packets: readonly Question[][]): Promise<unknown> {
  const send = (questions: Question[]) =>
    new Promise<void>((resolve) => socket.query({ questions }, () => resolve()));
  return Promise.all(packets.map(send));
}

/** RFC 1035 section 3.5. */
const reverseName = (address: string) => `${address.split('.').reverse().join('.')}.in-addr.arpa`;

const plainName = (name: string) => name.toLowerCase().replace(/\.$/, '');

/** A link-local address (RFC 4291 section 2.5.6) says nothing without the network card that it belongs to. */
const isUsable = (address: string) => isIP(address) !== 0 && !/^fe[89ab]/i.test(address);

function createHeard(names: readonly string[], addresses: readonly string[]) {
  const wanted = new Map(names.map((name) => [plainName(name), [] as string[]]));
  const reverse = new Map(addresses.map((address) => [reverseName(address), address]));
  const told = new Map<string, string[]>();
  const add = (list: string[], value: string) => {
    if (!list.includes(value) && list.length < mostAnswers) list.push(value);
  };
  const addName = (address: string, name: string) => {
    const list = told.get(address) ?? [];
    add(list, name);
    told.set(address, list);
  };
  return {
    addresses: wanted as ReadonlyMap<string, readonly string[]>,
    names: told as ReadonlyMap<string, readonly string[]>,
    take({ answers = [], additionals = [] }: ResponsePacket) {
      for (const record of [...answers, ...additionals]) {
        const name = plainName(record.name);
        // A goodbye: the record holds no longer (RFC 6762 section 10.1).
        if ('ttl' in record && record.ttl === 0) continue;
        const address = reverse.get(name);
        if (record.type === 'PTR' && address !== undefined) addName(address, plainName(record.data));
        const list = wanted.get(name);
        if (!list || (record.type !== 'A' && record.type !== 'AAAA') || !isUsable(record.data)) continue;
        add(list, record.data);
        addName(record.data, name);
      }
    },
  };
}
