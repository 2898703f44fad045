import { execFileSync } from 'node:child_process';
import fc from 'fast-check';
import { afterAll, describe, expect, it } from 'vitest';
import { CardwrightError } from '../../src/contract/cardwright-error.ts';
import { growerKey, hasPythonYaml, makeSet, textOf } from '../identity/orchard.ts';
import { fuzzed, fuzzTimeoutMs, InputCount } from './fuzz.ts';
import { bombs, longWords, mutated, shaped, yamlish } from './yaml-texts.ts';

/** Files that an image brings along and that the node's settings are put into. */
const stock = {
  userData: `#cloud-config
hostname: node-image
users: [default, {name: grower, groups: &g [dialout, plugdev]}, {name: other, groups: *g}]
ssh_pwauth: true
runcmd:
  - [echo, &word node]
  - [echo, *word]
`,
  metaData: 'instance-id: &id node-image\ndsmode: local\nlabel: *id\n',
  networkConfig: 'network:\n  version: 2\n  wifis: {wlan0: &w {dhcp4: yes}, wlan1: *w}\n',
};
const nothing = { userData: null, metaData: null, networkConfig: null };
type Name = keyof typeof stock;
const names = Object.keys(stock) as Name[];
const keys = [
  'hostname',
  'users',
  'chpasswd',
  'ssh_keys',
  'instance-id',
  'instance_id',
  'network',
  'version',
  'wifis',
];

const inputs = new InputCount();
afterAll(() => inputs.record('files of an image'));

interface Written {
  'user-data': string;
  'meta-data': string;
  'network-config': string;
}

/** The three files as they would be written; null where the image's own cannot be taken, which is said. */
async function written(name: Name, text: string): Promise<Written | null> {
  const set = await inputs.orderly(() => makeSet({ existing: { ...nothing, [name]: text } }));
  if (set instanceof CardwrightError) throw set;
  const refusals = set.findings.filter(({ severity }) => severity === 'refuse');
  if (refusals.length > 0) return null;
  return {
    'user-data': textOf(set, 'user-data'),
    'meta-data': textOf(set, 'meta-data'),
    'network-config': textOf(set, 'network-config'),
  };
}

/** Reads all of them as the node does (PyYAML's safe loader), in one run: what differs from the node's settings. */
function whatPythonMisses(sets: readonly Written[]): unknown[] {
  const program = `
import json, sys, yaml
wrong = []
for files in json.load(sys.stdin):
    try:
        user, meta, net = (yaml.safe_load(files[n]) for n in ('user-data', 'meta-data', 'network-config'))
        grower = [u for u in user['users'] if isinstance(u, dict) and u.get('name') == 'grower']
        good = (user['hostname'] == 'orchard-01' and grower[0]['ssh_authorized_keys'] == ['''${growerKey}''']
            and meta['instance-id'] == 'orchard-01-6f1c' and meta['local-hostname'] == 'orchard-01'
            and str(net['version']) == '2' and net['ethernets']['eth0']['dhcp4'] is True)
        if not good: wrong.append(files)
    except Exception as error:
        wrong.append([repr(error), files])
print(json.dumps(wrong))`;
  const input = JSON.stringify(sets);
  return JSON.parse(
    execFileSync('/usr/bin/python3', ['-c', program], { input, maxBuffer: 2 ** 28 }).toString(),
  );
}

describe('the image’s own files, of any content', { timeout: fuzzTimeoutMs }, () => {
  const words = keys.map((key) => `${key}: `);
  const texts = (name: Name) => fc.oneof(mutated(stock[name]), yamlish(words), shaped(keys));

  describe.skipIf(!hasPythonYaml())('read by PyYAML [skipped where python3-yaml is missing]', () => {
    it.each(names)('%s: the node’s settings come out, or it is refused', async (name) => {
      const sets: Written[] = [];
      await fc.assert(
        fc.asyncProperty(texts(name), async (text) => {
          const set = await written(name, name === 'userData' ? `#cloud-config\n${text}` : text);
          if (set) sets.push(set);
        }),
        fuzzed(250),
      );
      expect(sets.length).toBeGreaterThan(20);
      expect(whatPythonMisses(sets)).toEqual([]);
    });
  });

  it.each(names)('%s: as it comes with the image', async (name) => {
    expect(await written(name, stock[name])).not.toBeNull();
  });
});

// As long as a file may be that is looked at.
const large = [...bombs(2 ** 20 - 64), ...longWords(2 ** 20 - 64)].map(
  ([title, text]) => [title, text] as const,
);

describe.each(names)('%s made to keep the program busy', { timeout: fuzzTimeoutMs }, (name) => {
  it.each(large)('is replaced or refused within seconds: %s', async (_title, text) => {
    const set = await written(name, name === 'userData' ? `#cloud-config\n${text}` : text);
    if (set) expect(Object.values(set).every((one) => one.length < 2 ** 21)).toBe(true);
    else expect(name).toBe('userData');
  });
});
