import { describe, expect, it } from 'vitest';
import { hasPythonYaml, makeSet, orchardNode, orchardPlan, readAsPython, textOf } from './orchard.ts';

const nothing = { userData: null, metaData: null, networkConfig: null };
const python = describe.skipIf(!hasPythonYaml());

python('meta-data and network-config, read by PyYAML [skipped where python3-yaml is missing]', () => {
  it('gives a new instance id, and puts the misspelt one right', () => {
    // The stock file of a widespread image has the underscore, which nothing reads.
    const metaData = '# stock\ninstance_id: node-image\ndsmode: local\n';
    const set = makeSet({ existing: { ...nothing, metaData } });
    expect(readAsPython(textOf(set, 'meta-data'))).toEqual({
      dsmode: 'local',
      'instance-id': 'orchard-01-6f1c',
      'local-hostname': 'orchard-01',
    });
    expect(textOf(set, 'meta-data')).toContain('# stock');
    expect(set.replaced).toEqual(['meta-data: instance_id']);
  });

  it.each([
    ['cannot be read', '{'],
    // PyYAML, which the node reads it with, would refuse the whole file
    ['has a mapping for a name', '? {a: b}\n: c\n'],
    ['has a tag of its own', 'dsmode: !own local\n'],
    ['repeats what the node’s id takes the place of', 'instance-id: &id node-image\nlabel: *id\n'],
  ])('replaces meta-data that %s', (_title, metaData) => {
    const set = makeSet({ existing: { ...nothing, metaData } });
    expect(set.replaced).toEqual(['meta-data']);
    expect(readAsPython(textOf(set, 'meta-data'))).toEqual({
      'instance-id': 'orchard-01-6f1c',
      'local-hostname': 'orchard-01',
    });
  });

  it('writes a static address', () => {
    const set = makeSet({ node: orchardNode({ address: '192.0.2.11/24' }) });
    expect(readAsPython(textOf(set, 'network-config'))).toEqual({
      version: 2,
      ethernets: {
        eth0: {
          match: { name: 'e*' },
          dhcp4: false,
          addresses: ['192.0.2.11/24'],
          routes: [{ to: '0.0.0.0/0', via: '192.0.2.1' }],
          nameservers: { addresses: ['192.0.2.1', '192.0.2.2'] },
        },
      },
    });
  });

  it('writes an IPv6 address with a route of its own family, and none through the other', () => {
    const node = orchardNode({ address: '2001:db8::11/64' });
    const six = makeSet({
      node,
      plan: orchardPlan(
        {},
        { network: { ...orchardPlan().network, gateway: '2001:db8::1', nameservers: [] } },
      ),
    });
    const { eth0 } = readAsPython(textOf(six, 'network-config')).ethernets as { eth0: object };
    expect(eth0).toMatchObject({
      addresses: ['2001:db8::11/64'],
      routes: [{ to: '::/0', via: '2001:db8::1' }],
    });
    expect(textOf(makeSet({ node }), 'network-config')).not.toContain('routes');
  });

  it('asks DHCP where the plan has no address', () => {
    expect(readAsPython(textOf(makeSet(), 'network-config'))).toEqual({
      version: 2,
      ethernets: { eth0: { match: { name: 'e*' }, dhcp4: true } },
    });
  });

  it.each([
    'version: 2\nwifis: {wlan0: {dhcp4: yes}}\n',
    'network:\n  version: 2\n  wifis: {wlan0: {dhcp4: yes}}\n',
  ])('keeps the image’s wireless settings: %j', (networkConfig) => {
    const set = makeSet({ existing: { ...nothing, networkConfig } });
    const config = readAsPython(textOf(set, 'network-config'));
    expect(config.wifis).toEqual({ wlan0: { dhcp4: true } });
    expect(config.ethernets).toHaveProperty('eth0');
    expect(set.replaced).toEqual(['network-config: all but wifis']);
    expect(set.files.find(({ path }) => path === 'network-config')?.secret).toBe(true);
  });

  it.each([
    'version: 1\nconfig: []\n',
    'version: 2\nwifis: {w: *x}\na: &x {}\n',
    '{',
    'version: 2\nbonds: {}\n',
  ])('replaces other network settings, and says so: %j', (networkConfig) => {
    const set = makeSet({ existing: { ...nothing, networkConfig } });
    expect(set.replaced).toEqual(['network-config']);
    expect(Object.keys(readAsPython(textOf(set, 'network-config')))).toEqual(['version', 'ethernets']);
  });

  it('holds the network settings of its own first writing for unchanged', () => {
    const networkConfig = textOf(makeSet(), 'network-config');
    expect(makeSet({ existing: { ...nothing, networkConfig } }).replaced).toEqual([]);
  });
});
