import { execFileSync } from 'node:child_process';
import { mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { describeWith } from '../lab/capabilities.ts';
import { growerHash, growerKey, makeSet, orchardNode, orchardPlan, textOf } from './orchard.ts';

describeWith(
  ['program:cloud-init', 'program:netplan'],
  'beside cloud-init and netplan',
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
  },
);
