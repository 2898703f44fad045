import { execFileSync } from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import { expect, it } from 'vitest';
import { lookAtRoot } from '../../src/image/root/read-root.ts';
import { describeWith } from '../lab/capabilities.ts';
import { fileSource, workFolder } from './recipes.ts';
import { makeRootVolume, type Tree } from './root-volume.ts';

const folder = workFolder();

/** What the program itself makes of a folder as its root: its merged settings and the network program it would use. */
const program = `
import json, sys
from cloudinit import util
from cloudinit.net import renderers
root = sys.argv[1]
cfg = util.read_conf_with_confd(root + '/etc/cloud/cloud.cfg')
order = cfg.get('system_info', {}).get('network', {}).get('renderers')
try:
    renderer = renderers.select(priority=order, target=root)[0]
except renderers.RendererNotFoundError:
    renderer = None
noCloud = (cfg.get('datasource') or {}).get('NoCloud') or {}
print(json.dumps({
    'datasources': cfg.get('datasource_list'),
    'fsLabel': noCloud.get('fs_label', 'cidata'),
    'seedFrom': noCloud.get('seedfrom'),
    'networkIsOff': (cfg.get('network') or {}).get('config') == 'disabled',
    'deletesHostKeys': util.get_cfg_option_bool(cfg, 'ssh_deletekeys', True),
    'hostKeyTypes': cfg.get('ssh_genkeytypes'),
    'renderer': renderer,
}))`;

function askProgram(tree: Record<string, string>): Record<string, unknown> {
  const root = fs.mkdtempSync(path.join(folder, 'root-'));
  for (const [file, text] of Object.entries(tree)) {
    fs.mkdirSync(path.dirname(path.join(root, file)), { recursive: true });
    // Executable, as the programs among them are.
    fs.writeFileSync(path.join(root, file), text, { mode: 0o755 });
  }
  return JSON.parse(
    execFileSync('/usr/bin/python3', ['-c', program, root], {
      encoding: 'utf8',
      stdio: ['ignore', 'pipe', 'pipe'],
    }),
  );
}

async function askOurselves(tree: Tree): Promise<Record<string, unknown>> {
  const source = fileSource(makeRootVolume(folder, `${fs.readdirSync(folder).length}.img`, tree));
  const volume = { partition: 1, startByte: 0, sizeBytes: source.sizeBytes, type: 'ext4', label: null };
  const seen = await lookAtRoot(source, { volumes: [volume] });
  if (seen.state !== 'read') throw new Error(seen.why);
  const { renderers: _order, modules: _modules, unclear: _unclear, ...settings } = seen.facts.settings;
  return { ...settings, renderer: seen.facts.renderer };
}

const confD = 'etc/cloud/cloud.cfg.d';
const ifupdown = { 'sbin/ifup': 'x', 'sbin/ifdown': 'x', 'sbin/ifquery': 'x', 'etc/network/interfaces': '' };
const netplan = { 'usr/sbin/netplan': 'x' };

describeWith(
  ['program:cloud-init', 'program:mkfs.ext4'],
  'a root volume, beside cloud-init',
  { timeoutMs: 120_000 },
  () => {
    it.each([
      ['nothing set', { 'etc/cloud/cloud.cfg': '# nothing\n' }],
      [
        'files in their order',
        {
          'etc/cloud/cloud.cfg':
            'datasource_list: [Ec2]\ndatasource:\n  NoCloud: {fs_label: a, seedfrom: /a/}\n',
          [`${confD}/99-z.cfg`]: 'datasource: {NoCloud: {fs_label: z}}\n',
          [`${confD}/05-a.cfg`]:
            'datasource: {NoCloud: {fs_label: five}}\ndatasource_list: [ NoCloud, None ]\n',
          [`${confD}/1-b.cfg`]: 'ssh_deletekeys: false\nssh_genkeytypes: []\n',
          [`${confD}/zz.conf`]: 'datasource_list: [Azure]\n',
        },
      ],
      [
        'words of YAML 1.1',
        {
          'etc/cloud/cloud.cfg':
            'ssh_deletekeys: off\nssh_genkeytypes: [ed25519, rsa]\ndatasource: {NoCloud: {fs_label: ~}}\n',
          [`${confD}/99-off.cfg`]: 'network:\n  config: disabled\n',
        },
      ],
      [
        'a file that is no YAML',
        { 'etc/cloud/cloud.cfg': 'datasource_list: [NoCloud]\n', [`${confD}/10.cfg`]: 'a: [b\n' },
      ],
      [
        'anchors and merge keys',
        {
          'etc/cloud/cloud.cfg':
            'x: &x {fs_label: system-boot}\ndatasource: {NoCloud: {<<: *x, seedfrom: /b/}}\n',
        },
      ],
      ['netplan', { 'etc/cloud/cloud.cfg': '', ...netplan }],
      ['ifupdown and netplan', { 'etc/cloud/cloud.cfg': '', ...netplan, ...ifupdown }],
      [
        'an order of its own',
        {
          'etc/cloud/cloud.cfg': 'system_info: {network: {renderers: [netplan, eni]}}\n',
          ...netplan,
          ...ifupdown,
        },
      ],
    ] as [string, Record<string, string>][])('%s', async (_title, tree) => {
      expect(await askOurselves(tree)).toEqual(askProgram(tree));
    });
  },
);
