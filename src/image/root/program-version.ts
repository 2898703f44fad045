import type { RootFacts } from '../../contract/root-facts.ts';
import type { ExtVolume } from '../ext-volume.ts';

const packageList = '/var/lib/dpkg/status';
/** A system of three thousand packages has a list of about 4 MiB. */
const mostListBytes = 12 * 2 ** 20;
const module = 'cloudinit/version.py';

/** The entry of an installed package (deb822(5); states as in dpkg-query(1)), without the system's own revision. */
function versionInPackageList(list: string, name: string): string | null {
  const at = `\n${list}`.indexOf(`\nPackage: ${name}\n`);
  if (at < 0) return null;
  const end = list.indexOf('\n\n', at);
  const entry = list.slice(at, end < 0 ? undefined : end);
  if (!/^Status: \S+ \S+ installed$/m.test(entry)) return null;
  return /^Version: (?:\d+:)?([0-9][\w.+~-]*)$/m.exec(entry)?.[1] ?? null;
}

/** A version as cloud-init writes it into its own module. */
function versionInModule(text: string): string | null {
  const packaged = /^_PACKAGED_VERSION = "([0-9][\w.+~-]*)"/m.exec(text)?.[1];
  return packaged ?? /^__VERSION__ = "([0-9][\w.+~-]*)"/m.exec(text)?.[1] ?? null;
}

async function pythonFolders(volume: ExtVolume): Promise<string[]> {
  const names = (await volume.names('/usr/lib')) ?? [];
  const versions = names.filter((name) => /^python3(\.\d+)?$/.test(name)).slice(0, 8);
  return versions.flatMap((name) => [`/usr/lib/${name}/dist-packages`, `/usr/lib/${name}/site-packages`]);
}

/** The first-boot program by the system's list of packages, else by its own files; netplan by the list alone. */
export async function findPrograms(
  volume: ExtVolume,
): Promise<Pick<RootFacts, 'program' | 'netplanVersion'>> {
  const list = (await volume.text(packageList, mostListBytes)) ?? '';
  const netplanVersion = versionInPackageList(list, 'netplan.io');
  const listed = versionInPackageList(list, 'cloud-init');
  const program = listed === null ? await findByFiles(volume) : { version: listed, from: 'Debian package' };
  return { program, netplanVersion };
}

async function findByFiles(volume: ExtVolume): Promise<RootFacts['program']> {
  for (const folder of await pythonFolders(volume)) {
    const text = await volume.text(`${folder}/${module}`);
    if (text !== null) return { version: versionInModule(text), from: `${folder}/${module}` };
  }
  const path = '/usr/bin/cloud-init';
  return (await volume.kind(path)) === null ? null : { version: null, from: path };
}
