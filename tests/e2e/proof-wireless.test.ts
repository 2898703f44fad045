/**
 * A node's wireless settings at work: what was made for it goes through cloud-init and netplan to wpa_supplicant,
 * which joins a network that hostapd keeps by its phrase alone; on radios that the kernel makes believe
 * (mac80211_hwsim), in the guest. Channel 13 is open in the node's country, and closed to whoever has not said where
 * it is (wireless-regdb, db.txt: ES, 00; the kernel wants that package's file).
 */
import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import { beforeAll, expect, it } from 'vitest';
import { deriveWifiKey } from '../../src/identity/wifi-key.ts';
import { makeSet, orchardNode, orchardPlan, readAsPython, rootLook, textOf } from '../identity/orchard.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type Cleanup, makeWorkFolder, withCleanup } from '../lab/cleanup.ts';
import { type Guest, withGuest } from '../lab/guest/guest.ts';

const name = 'orchard "gate" é';
const phrase = 'a ripe one falls by itself';
const country = 'ES';

/** What a node gets whose network has this key. */
function filesOf(key: string) {
  const { network } = orchardPlan();
  const wifi = { name, key, country, hidden: true };
  const parts = {
    plan: orchardPlan({}, { network: { ...network, wifi } }),
    node: orchardNode({ link: 'wifi' as const, address: '192.0.2.11/24' }),
  };
  const existing = { userData: null, metaData: null, networkConfig: null, cmdline: 'quiet\n' };
  const withLine = makeSet({ ...parts, existing, root: rootLook() });
  const withoutLine = makeSet(parts);
  const read = (set: typeof withLine) =>
    readAsPython(textOf(set, 'user-data')) as { bootcmd: string[][]; write_files: { content: string }[] };
  return {
    networkConfig: textOf(withLine, 'network-config'),
    kernelLine: textOf(withLine, 'cmdline.txt'),
    moduleSettings: Buffer.from(read(withoutLine).write_files[0]?.content ?? '', 'base64').toString(),
    radioCommand: read(withLine).bootcmd[0] ?? [],
  };
}

/** By cloud-init and netplan, as a node's own would: the settings of wpa_supplicant. */
async function settingsFor(cleanup: Cleanup, networkConfig: string): Promise<string> {
  const folder = await makeWorkFolder(cleanup);
  fs.writeFileSync(join(folder, 'network-config'), networkConfig);
  const convert = ['devel', 'net-convert', '-p', 'network-config', '-k', 'yaml', '-D', 'debian'];
  execFileSync('cloud-init', [...convert, '-O', 'netplan', '-d', '.'], { cwd: folder, stdio: 'pipe' });
  execFileSync('netplan', ['generate', '--root-dir', folder], { stdio: 'pipe' });
  return fs.readFileSync(join(folder, 'run/netplan/wpa-wlan0.conf'), 'utf8');
}

// hostapd.conf(5): it gets the phrase, and no country.
const accessPoint = `interface=wlan1
driver=nl80211
ssid2="${name}"
utf8_ssid=1
ignore_broadcast_ssid=1
hw_mode=g
channel=13
wpa=2
wpa_key_mgmt=WPA-PSK
rsn_pairwise=CCMP
wpa_passphrase=${phrase}
`;

const quoted = (words: readonly string[]) =>
  words.map((word) => `'${word.replaceAll("'", "'\\''")}'`).join(' ');

/** The country that the radios have once they are there, and whether channel 13 can be used then; they go again. */
async function tryCountry(guest: Guest, preparation: string) {
  const { stdout } = await guest.run(
    `${preparation}
     modprobe mac80211_hwsim radios=2; sleep 1; iw reg get
     timeout 20 hostapd -B -P /run/hostapd.pid /out/hostapd.conf > /out/ap.log 2>&1; echo "hostapd $?"
     [ ! -e /run/hostapd.pid ] || kill "$(cat /run/hostapd.pid)"; sleep 1; modprobe -r mac80211_hwsim; modprobe -r mac80211; modprobe -r cfg80211; lsmod | grep -c cfg80211`,
  );
  const country = /^country (\S\S):/m.exec(stdout)?.[1];
  return { country, channelIsOpen: /^hostapd 0$/m.test(stdout), isGone: stdout.trim().endsWith('\n0') };
}

/** Tries to join until it is known how that ends: the link then, and what wpa_supplicant said. */
async function tryToJoin(guest: Guest, settings: string): Promise<{ link: string; said: string }> {
  fs.writeFileSync(join(guest.outFolder, 'wpa.conf'), settings);
  const { stdout } = await guest.run(
    `timeout 100 wpa_supplicant -c /out/wpa.conf -iwlan0 -Dnl80211 -f /run/wpa.log &
     for i in $(seq 100); do grep -qE 'CTRL-EVENT-CONNECTED|WRONG_KEY' /run/wpa.log 2>/dev/null && break; sleep 1; done
     iw dev wlan0 link; kill %1; wait; echo ---; cat /run/wpa.log; rm /run/wpa.log`,
    { timeoutMs: 300_000 },
  );
  const [link = '', said = ''] = stdout.split('---\n');
  return { link: link.trim(), said };
}

interface Seen {
  countries: Record<'unsaid' | 'byFile' | 'byKernelLine', Awaited<ReturnType<typeof tryCountry>>>;
  /** of both radios: as they were switched, and after the node's command */
  switches: string[];
  withWrongKey: Awaited<ReturnType<typeof tryToJoin>>;
  withKey: Awaited<ReturnType<typeof tryToJoin>>;
}

async function lookInGuest(guest: Guest, node: ReturnType<typeof filesOf>, right: string, wrong: string) {
  const put = (file: string, text: string) => fs.writeFileSync(join(guest.outFolder, file), text);
  put('module.conf', node.moduleSettings);
  put('cmdline', node.kernelLine);
  put('hostapd.conf', accessPoint);
  const moduleFile = '/etc/modprobe.d/cardwright-wifi.conf';
  const countries = {
    unsaid: await tryCountry(guest, 'true'),
    byFile: await tryCountry(guest, `cp /out/module.conf ${moduleFile}`),
    // modprobe(8) takes its options from there.
    byKernelLine: await tryCountry(guest, `rm ${moduleFile}; mount --bind /out/cmdline /proc/cmdline`),
  };
  const { stdout } = await guest.run(
    `modprobe mac80211_hwsim radios=2; sleep 1
     for radio in /sys/class/rfkill/*; do echo 1 > $radio/soft; done; cat /sys/class/rfkill/*/soft
     ${quoted(node.radioCommand)}; cat /sys/class/rfkill/*/soft`,
  );
  const keeper = await guest.start('exec hostapd /out/hostapd.conf', { timeoutMs: 600_000 });
  await keeper.waitForOutput(/AP-ENABLED/);
  const withWrongKey = await tryToJoin(guest, wrong);
  const withKey = await tryToJoin(guest, right);
  await keeper.signal('TERM');
  await keeper.result;
  return { countries, switches: stdout.trim().split('\n'), withWrongKey, withKey };
}

const tools = [
  'guest',
  'program:hostapd',
  'program:iw',
  'program:wpa_supplicant',
  'program:netplan',
  'program:cloud-init',
] as const;

describeWith(tools, 'a wireless node, on radios that are made believe', { timeoutMs: 60_000 }, () => {
  let seen: Seen;
  beforeAll(async () => {
    seen = await withCleanup(async (cleanup) => {
      const node = filesOf(deriveWifiKey(phrase, name));
      const stranger = filesOf(deriveWifiKey(`${phrase}s`, name));
      const right = await settingsFor(cleanup, node.networkConfig);
      const wrong = await settingsFor(cleanup, stranger.networkConfig);
      return withGuest({ disks: [] }, (guest) => lookInGuest(guest, node, right, wrong));
    });
  }, 15 * 60_000);

  it('is in its country, by the kernel line or by the module’s own settings', () => {
    // Without, no channel 13: so the other two answers mean something.
    expect(seen.countries).toEqual({
      unsaid: { country: '00', channelIsOpen: false, isGone: true },
      byFile: { country, channelIsOpen: true, isGone: true },
      byKernelLine: { country, channelIsOpen: true, isGone: true },
    });
  });

  it('has its radios switched on by the node’s own command, through cloud-init’s program', () => {
    expect(seen.switches).toEqual(['1', '1', '0', '0']);
  });

  it('joins the hidden network of its plan by the key that was derived from its phrase', () => {
    const { link, said } = seen.withKey;
    expect(link).toMatch(/^Connected to /);
    // iw writes bytes beyond ASCII as \xNN.
    expect(link).toContain('SSID: orchard "gate" \\xc3\\xa9\n');
    // IEEE 802.11-2020 table 15-6: channel 13 of the 2.4 GHz band is 2472 MHz.
    expect(link).toContain('freq: 2472');
    expect(said).toContain('CTRL-EVENT-CONNECTED');
  });

  it('does not join it by the key of another phrase', () => {
    expect(seen.withWrongKey.link).toBe('Not connected.');
    expect(seen.withWrongKey.said).toContain('reason=WRONG_KEY');
  });
});
