/** A node on the wireless network, its settings read by PyYAML as the node reads them. */
import { describe, expect, it } from 'vitest';
import type { PlanWifi } from '../../src/contract/plan.ts';
import type { NodeFileParts } from '../../src/identity/make-node-files.ts';
import {
  hasPythonYaml,
  makeSet,
  orchardNode,
  orchardPlan,
  readAsPython,
  rootLook,
  textOf,
} from './orchard.ts';

const nothing = { userData: null, metaData: null, networkConfig: null };
const cmdline = 'console=tty1 rootwait\n';
const { network } = orchardPlan();
// IEEE 802.11-2020 annex J.4.2, first test vector: passphrase "password", SSID "IEEE".
const wifi: PlanWifi = {
  name: 'IEEE',
  key: 'f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e',
  country: 'ES',
  hidden: false,
};
const wireless = (changes: Partial<PlanWifi> = {}) =>
  orchardPlan({}, { network: { ...network, wifi: { ...wifi, ...changes } } });
const made = (changes: Partial<NodeFileParts> = {}) =>
  makeSet({ plan: wireless(), node: orchardNode({ link: 'wifi', address: '192.0.2.11/24' }), ...changes });
const networkOf = (set: ReturnType<typeof makeSet>) => readAsPython(textOf(set, 'network-config'));

describe.skipIf(!hasPythonYaml())('a wireless node [skipped where python3-yaml is missing]', () => {
  it('has the address on its radio, and asks on its wired port without waiting for it', () => {
    const set = made();
    expect(networkOf(set)).toEqual({
      version: 2,
      ethernets: { eth0: { match: { name: 'e*' }, dhcp4: true, optional: true } },
      wifis: {
        wlan0: {
          dhcp4: false,
          addresses: ['192.0.2.11/24'],
          routes: [{ to: '0.0.0.0/0', via: '192.0.2.1' }],
          nameservers: { addresses: ['192.0.2.1', '192.0.2.2'] },
          'access-points': { IEEE: { password: wifi.key } },
        },
      },
    });
    expect(set.files.find(({ path }) => path === 'network-config')?.secret).toBe(true);
  });

  it('asks DHCP there where the plan has no address, and finds a hidden network', () => {
    const set = made({ plan: wireless({ hidden: true }), node: orchardNode({ link: 'wifi' }) });
    expect(networkOf(set).wifis).toEqual({
      wlan0: { dhcp4: true, 'access-points': { IEEE: { password: wifi.key, hidden: true } } },
    });
  });

  it('names its country to netplan where that is known to take it', () => {
    const countryIn = (netplanVersion: string | null) => {
      const { wifis } = networkOf(made({ root: rootLook({ netplanVersion }) })) as {
        wifis: { wlan0: Record<string, unknown> };
      };
      return wifis.wlan0['regulatory-domain'];
    };
    // netplan's documentation, "regulatory-domain": since 0.105
    expect(['0.106-2+deb12u1', '0.105', '1.0', '0.104-0', null].map(countryIn)).toEqual([
      'ES',
      'ES',
      'ES',
      undefined,
      undefined,
    ]);
  });

  it('has its country on the kernel line where there is one, in place of another', () => {
    const lineFor = (text: string) => made({ existing: { ...nothing, cmdline: text } });
    // Linux, net/wireless/reg.c: module_param(ieee80211_regdom); kernel-parameters: "module.parameter=value"
    const set = lineFor(cmdline);
    expect(textOf(set, 'cmdline.txt')).toBe('console=tty1 rootwait cfg80211.ieee80211_regdom=ES\n');
    expect([set.replaced, set.findings]).toEqual([[], []]);
    const other = lineFor('quiet cfg80211.ieee80211_regdom=GB\n');
    expect(textOf(other, 'cmdline.txt')).toBe('quiet cfg80211.ieee80211_regdom=ES\n');
    expect(other.replaced).toEqual(['cmdline.txt: cfg80211.ieee80211_regdom=GB']);
    const own = lineFor(textOf(set, 'cmdline.txt'));
    expect(own.files.map(({ path }) => path)).not.toContain('cmdline.txt');
  });

  it('puts boot settings on the same line', () => {
    const boot = { kernelLine: { add: ['quiet'], remove: ['rootwait'] }, firmware: [] };
    const node = orchardNode({ link: 'wifi', boot });
    const set = made({ node, existing: { ...nothing, cmdline } });
    expect(textOf(set, 'cmdline.txt')).toBe('console=tty1 cfg80211.ieee80211_regdom=ES quiet\n');
  });

  it('has it in a file of its own where there is no such line, which is said', () => {
    const set = made();
    const { write_files: files } = readAsPython(textOf(set, 'user-data')) as {
      write_files: { path: string; content: string }[];
    };
    expect(files.map(({ path }) => path)).toEqual(['/etc/modprobe.d/cardwright-wifi.conf']);
    // modprobe.d(5)
    expect(Buffer.from(files[0]?.content ?? '', 'base64').toString()).toBe(
      'options cfg80211 ieee80211_regdom=ES\n',
    );
    expect(set.findings).toEqual([
      { code: 'identity.wifi-country-later', severity: 'note', facts: { country: 'ES' } },
    ]);
    expect(made({ root: rootLook() }).findings).toEqual([]);
  });

  it('has its radio switched on once', () => {
    const { bootcmd } = readAsPython(textOf(made(), 'user-data')) as { bootcmd: string[][] };
    expect(bootcmd.map((words) => words[2]?.split(' ').slice(0, 3))).toEqual([
      ['cloud-init-per', 'instance', 'cardwright-radio'],
    ]);
  });
});

describe.skipIf(!hasPythonYaml())('a wired node [skipped where python3-yaml is missing]', () => {
  const existing = { ...nothing, networkConfig: 'version: 2\nwifis: {wlan0: {dhcp4: true}}\n', cmdline };

  it('has no wireless network where the plan has one, not even the image’s', () => {
    const set = made({ node: orchardNode({ link: 'wired' }), existing });
    expect(Object.keys(networkOf(set))).toEqual(['version', 'ethernets']);
    expect(set.replaced).toEqual(['network-config']);
    expect(textOf(set, 'user-data')).not.toMatch(/bootcmd|write_files/);
    expect(set.files.map(({ path }) => path)).not.toContain('cmdline.txt');
  });

  it('keeps the image’s where the plan has none, but not what a former writing put there', () => {
    expect(networkOf(makeSet({ existing }))).toHaveProperty('wifis');
    const networkConfig = textOf(made(), 'network-config');
    expect(networkOf(makeSet({ existing: { ...nothing, networkConfig } }))).not.toHaveProperty('wifis');
    const again = made({ existing: { ...nothing, networkConfig } });
    expect(textOf(again, 'network-config')).toBe(networkConfig);
    expect(again.replaced).toEqual([]);
  });
});
