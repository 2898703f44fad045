// Makes a Debian package of what `node build.js` made: node src/daemon/install/make-package.js [FOLDER FOR IT]
import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { tmpdir } from 'node:os';
import { basename, join } from 'node:path';

const home = '/usr/lib/cardwright';
const facts = readJson('.');
const [major] = process.versions.node.split('.').map(Number);
const architecture = execFileSync('dpkg', ['--print-architecture'], { encoding: 'utf8' }).trim();

/** What the bundles leave outside (build.js), and what only building needs of theirs. */
const loadedApart = ['better-sqlite3', 'drivelist', 'ext2fs', 'js-fatfs', 'ssh2'];
const neededToBuild = ['prebuild-install', 'node-addon-api'];

function readJson(folder) {
  return JSON.parse(fs.readFileSync(join(folder, 'package.json'), 'utf8'));
}

function withTheirOwn(names, found = new Set()) {
  for (const name of names) {
    if (found.has(name) || neededToBuild.includes(name)) continue;
    found.add(name);
    withTheirOwn(Object.keys(readJson(join('node_modules', name)).dependencies ?? {}), found);
  }
  return found;
}

/** The JavaScript of a package and its finished native modules, without what they were made of. */
function copyPackage(name, to) {
  const isWanted = (path) => {
    if (fs.statSync(path).isDirectory())
      return !/\/(?:test|examples|\.github|\.deps|deps|obj|obj\.target)$/.test(path);
    if (/\/build\//.test(path)) return /\/Release\/(?!test_)[^/]+\.node$/.test(path);
    return !/\.(?:ts|cc?|cpp|h|mm|gyp)$/.test(path);
  };
  fs.cpSync(join('node_modules', name), join(to, name), { recursive: true, filter: isWanted });
}

const control = (sizeKiB) => `Package: cardwright
Version: ${facts.version}
Architecture: ${architecture}
Maintainer: Cardwright contributors <cardwright@localhost>
Section: admin
Priority: optional
Installed-Size: ${sizeKiB}
Depends: nodejs (>= ${major}~), nodejs (<< ${major + 1}~), util-linux, systemd, libc6, libstdc++6
Recommends: gzip, xz-utils, zstd, bzip2, gpgv, sg3-utils
Description: one operating-system image onto a stack of cards
 ${facts.description}.
`;

const units = fs.readdirSync('dist/units').filter((name) => /\.(?:socket|service)$/.test(name));

const scripts = {
  postinst: `if [ "$1" = configure ]; then
  systemd-sysusers cardwright.conf
  systemd-tmpfiles --create cardwright.conf
fi
if [ -d /run/systemd/system ]; then systemctl daemon-reload; fi
`,
  prerm: `if [ "$1" = remove ] && [ -d /run/systemd/system ]; then
  systemctl disable --now ${units.join(' ')}
fi
`,
  postrm: `if [ -d /run/systemd/system ]; then systemctl daemon-reload; fi
`,
};

function stageFiles(stage) {
  const at = (path) => join(stage, path);
  const put = (path, text) => {
    fs.mkdirSync(join(at(path), '..'), { recursive: true });
    fs.writeFileSync(at(path), text);
  };
  for (const name of ['dist', 'bin']) fs.cpSync(name, at(join(home, name)), { recursive: true });
  for (const name of ['package.json', 'README.md', 'SAFETY.md']) fs.copyFileSync(name, at(join(home, name)));
  for (const name of withTheirOwn(loadedApart)) copyPackage(name, at(join(home, 'node_modules')));
  for (const [folder, name] of [
    ['bin', 'cardwright'],
    ['sbin', 'cardwrightd'],
  ]) {
    fs.mkdirSync(at(`usr/${folder}`));
    fs.symlinkSync(`../lib/cardwright/bin/${name}.js`, at(`usr/${folder}/${name}`));
  }
  const filled = (name) =>
    fs
      .readFileSync(`dist/units/${name}`, 'utf8')
      .replaceAll('@HOME@', home)
      .replaceAll('@NODE@', '/usr/bin/node');
  for (const name of units) put(`usr/lib/systemd/system/${name}`, filled(name));
  put('usr/lib/sysusers.d/cardwright.conf', filled('cardwright.sysusers'));
  put('usr/lib/tmpfiles.d/cardwright.conf', filled('cardwright.tmpfiles'));
  put('etc/cardwright/policy.yaml', filled('policy.yaml'));
  put('usr/share/doc/cardwright/copyright', fs.readFileSync('LICENSE', 'utf8'));
}

function addControl(stage) {
  const [kibibytes] = execFileSync('du', ['-sk', stage], { encoding: 'utf8' }).split('\t');
  const folder = join(stage, 'DEBIAN');
  fs.mkdirSync(folder);
  fs.writeFileSync(join(folder, 'control'), control(kibibytes));
  fs.writeFileSync(join(folder, 'conffiles'), '/etc/cardwright/policy.yaml\n');
  for (const [name, text] of Object.entries(scripts))
    fs.writeFileSync(join(folder, name), `#!/bin/sh\nset -e\n${text}`, { mode: 0o755 });
}

const out = join(process.argv[2] ?? '.', `cardwright_${facts.version}_${architecture}.deb`);
const stage = fs.mkdtempSync(join(tmpdir(), 'cardwright-deb-'));
try {
  stageFiles(stage);
  addControl(stage);
  execFileSync('chmod', ['-R', 'u=rwX,go=rX', stage]);
  execFileSync('dpkg-deb', ['--root-owner-group', '-Zxz', '--build', stage, out], { stdio: 'ignore' });
  process.stdout.write(`${basename(out)}: ${(fs.statSync(out).size / 1e6).toFixed(1)} MB\n`);
} finally {
  fs.rmSync(stage, { recursive: true, force: true });
}
