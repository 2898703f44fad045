import { execFileSync, spawnSync } from 'node:child_process';
import { mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { describeWith } from '../lab/capabilities.ts';
import { growerHash, growerKey, makeSet, orchardNode, orchardPlan, rootLook, textOf } from './orchard.ts';

describeWith(
  ['program:cloud-init', 'program:netplan', 'program:wpa_supplicant'],
  'beside cloud-init, netplan and wpa_supplicant',
  { timeoutMs: 120_000 },
  () => {
    let folder: string;
    beforeAll(() => {
      folder = mkdtempSync(join(tmpdir(), 'cardwright-seed-'));
    });
    afterAll(() => rmSync(folder, { recursive: true, force: true }));

    it('cloud-init itself sees one user, with the key, locked or with the hash', () => {
      const program = `
import json, sys, yaml
from cloudinit import distros, helpers
from cloudinit.distros import ug_util
cfg = yaml.safe_load(sys.stdin.read())
distro = distros.fetch('debian')('debian', {}, helpers.Paths({}))
users, groups = ug_util.normalize_users_groups(cfg, distro)
print(json.dumps({'users': users}))`;
      const seen = (text: string) =>
        JSON.parse(execFileSync('/usr/bin/python3', ['-c', program], { input: text, encoding: 'utf8' }))
          .users;
      expect(seen(textOf(makeSet(), 'user-data'))).toEqual({
        grower: expect.objectContaining({ lock_passwd: true, ssh_authorized_keys: [growerKey] }),
      });
      const set = makeSet({ plan: orchardPlan({ passwordHash: growerHash }) });
      expect(seen(textOf(set, 'user-data')).grower).toMatchObject({
        lock_passwd: false,
        hashed_passwd: growerHash,
      });
    });

    const convert = (networkConfig: string, kind: string): string => {
      const target = mkdtempSync(join(folder, 'net-'));
      writeFileSync(join(target, 'network-config'), networkConfig);
      const args = [
        'devel',
        'net-convert',
        '-p',
        'network-config',
        '-k',
        'yaml',
        '-D',
        'debian',
        '-O',
        kind,
        '-d',
        'out',
      ];
      execFileSync('cloud-init', args, { cwd: target, stdio: 'pipe' });
      const files = readdirSync(join(target, 'out'), { recursive: true, withFileTypes: true }).filter((f) =>
        f.isFile(),
      );
      return files.map((f) => readFileSync(join(f.parentPath, f.name), 'utf8')).join('\n');
    };

    it('a static address comes through every renderer', () => {
      const text = textOf(makeSet({ node: orchardNode({ address: '192.0.2.11/24' }) }), 'network-config');
      expect(convert(text, 'netplan')).toMatch(/192\.0\.2\.11\/24[\s\S]*name: e\*[\s\S]*via: 192\.0\.2\.1/);
      const eni = convert(text, 'eni');
      expect(eni).toMatch(/iface eth0 inet static\s+address 192\.0\.2\.11\/24/);
      expect(eni).toMatch(/route add (default|-net 0\.0\.0\.0).* gw 192\.0\.2\.1/);
      expect(convert(text, 'networkd')).toMatch(/Address=192\.0\.2\.11\/24[\s\S]*Gateway=192\.0\.2\.1/);
    });

    it('DHCP comes through every renderer', () => {
      const text = textOf(makeSet(), 'network-config');
      expect(convert(text, 'netplan')).toMatch(/dhcp4: true[\s\S]*name: e\*/);
      expect(convert(text, 'eni')).toContain('iface eth0 inet dhcp');
      expect(convert(text, 'networkd')).toMatch(/DHCP=ipv4/);
    });

    it('netplan takes what cloud-init hands it, and matches every wired port', () => {
      const text = textOf(makeSet({ node: orchardNode({ address: '192.0.2.11/24' }) }), 'network-config');
      const root = mkdtempSync(join(folder, 'root-'));
      mkdirSync(join(root, 'etc/netplan'), { recursive: true });
      writeFileSync(join(root, 'etc/netplan/50-cloud-init.yaml'), convert(text, 'netplan'), { mode: 0o600 });
      execFileSync('netplan', ['generate', '--root-dir', root], { stdio: 'pipe' });
      const unit = readFileSync(join(root, 'run/systemd/network/10-netplan-eth0.network'), 'utf8');
      expect(unit).toMatch(/\[Match\]\nName=e\*\n/);
      expect(unit).toMatch(/Address=192\.0\.2\.11\/24/);
      expect(unit).toMatch(/Destination=0\.0\.0\.0\/0\nGateway=192\.0\.2\.1/);
      expect(unit).toMatch(/DNS=192\.0\.2\.1\nDNS=192\.0\.2\.2/);
    });

    // Names that some reader on the way could take for something else (IEEE 802.11-2020 9.4.2.2: any 1 to 32 bytes).
    it.each(['orchard', ' a "b\\" é;%s${x}', 'yes', '#1e3', '\u2028\u0085😀\\', 'x'.repeat(32)])(
      'a wireless network comes through cloud-init and netplan to wpa_supplicant: %j',
      (name) => {
        const key = 'f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e';
        const { network } = orchardPlan();
        const wifi = { name, key, country: 'ES', hidden: true };
        const plan = orchardPlan({}, { network: { ...network, domain: 'orchard.example.org', wifi } });
        const node = orchardNode({ link: 'wifi', address: '192.0.2.11/24' });
        const text = convert(textOf(makeSet({ plan, node, root: rootLook() }), 'network-config'), 'netplan');
        const root = mkdtempSync(join(folder, 'root-'));
        mkdirSync(join(root, 'etc/netplan'), { recursive: true });
        writeFileSync(join(root, 'etc/netplan/50-cloud-init.yaml'), text, { mode: 0o600 });
        execFileSync('netplan', ['generate', '--root-dir', root], { stdio: 'pipe' });
        const unitOf = (port: string) =>
          readFileSync(join(root, `run/systemd/network/10-netplan-${port}.network`), 'utf8');
        expect(unitOf('wlan0')).toMatch(
          /\[Match\]\nName=wlan0\n[\s\S]*Address=192\.0\.2\.11\/24\nDNS=192\.0\.2\.1\n/,
        );
        expect(unitOf('wlan0')).toMatch(/Domains=orchard\.example\.org\n[\s\S]*Gateway=192\.0\.2\.1\n/);
        expect(unitOf('eth0')).toMatch(/Name=e\*\n[\s\S]*RequiredForOnline=no\n[\s\S]*DHCP=ipv4\n/);
        // On no port: it reads its settings, says what it read, and ends.
        const settings = join(root, 'run/netplan/wpa-wlan0.conf');
        const { stdout } = spawnSync(
          '/usr/sbin/wpa_supplicant',
          ['-Dwired', '-inone0', '-dd', '-K', '-c', settings],
          { encoding: 'latin1', timeout: 60_000 },
        );
        expect(stdout).toContain("country='ES'\n");
        expect(stdout).toContain('scan_ssid=1 (0x1)\n');
        const ssid = /ssid - hexdump_ascii\(len=\d+\):\n((?: {5}.*\n)+)/.exec(stdout)?.[1] ?? '';
        const hex = [...ssid.matchAll(/^ {5}((?:[0-9a-f]{2} )+)/gm)].map(([, bytes]) => bytes).join('');
        expect(Buffer.from(hex.replaceAll(' ', ''), 'hex').toString()).toBe(name);
        expect(/PSK - hexdump\(len=32\): ([0-9a-f ]+)\n/.exec(stdout)?.[1]?.replaceAll(' ', '')).toBe(key);
      },
    );

    it('cloud-init makes the files, with the bytes and rights that were meant, and one script of the commands', () => {
      const program = `
import json, sys, yaml
from cloudinit import util
from cloudinit.config import cc_write_files as w
cfg = yaml.safe_load(sys.stdin.read())
files = [[f['path'], w.extract_contents(f['content'], w.canonicalize_extraction(f['encoding'])).hex()
    if f['content'] else '', oct(w.decode_perms(f['permissions'], None)), util.extract_usergroup(f['owner']),
    util.get_cfg_option_bool(f, 'defer', False)] for f in cfg['write_files']]
print(json.dumps({'files': files, 'script': util.shellify(cfg['runcmd'])}))`;
      const everyByte = Buffer.from(Array.from({ length: 256 }, (_, byte) => byte));
      const lines = ['echo one; exit 3', `printf '%s' "it's \\" é\u2028"`];
      const set = makeSet({
        node: orchardNode({ firstBoot: { files: [], commands: lines } }),
        firstBootFiles: [
          { path: '/etc/orchard/gate', content: everyByte, mode: '750', owner: 'root:root' },
          { path: '/srv/é "x"', content: Buffer.alloc(0), mode: '0600', owner: 'grower:gpio' },
        ],
      });
      const options = { input: textOf(set, 'user-data'), encoding: 'utf8' } as const;
      const made = JSON.parse(execFileSync('/usr/bin/python3', ['-c', program], options));
      expect(made.files).toEqual([
        ['/etc/orchard/gate', everyByte.toString('hex'), '0o750', ['root', 'root'], false],
        ['/srv/é "x"', '', '0o600', ['grower', 'gpio'], true],
      ]);
      expect(execFileSync('sh', ['-c', made.script]).toString()).toBe(`one\nit's " é\u2028`);
    });
  },
);
