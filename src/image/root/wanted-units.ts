import type { ExtVolume } from '../ext-volume.ts';

/** systemd.unit(5), "UNIT FILE LOAD PATH": the first one that has a unit is the one that counts. */
const unitFolders = [
  '/etc/systemd/system',
  '/usr/local/lib/systemd/system',
  '/usr/lib/systemd/system',
  '/lib/systemd/system',
];
const mostUnits = 400;
const mostScripts = 4;
const largestScriptBytes = 2 ** 15;

/** A service that is started with the system. */
export interface WantedUnit {
  name: string;
  text: string;
  /** the text, and that of the scripts that it starts */
  withScripts: string;
  /** targets that want it */
  wantedBy: string[];
}

/** Names of the services that something wants, with what wants them (systemd.unit(5), ".wants/"). */
async function listWanted(volume: ExtVolume): Promise<Map<string, string[]>> {
  const wanted = new Map<string, string[]>();
  for (const folder of unitFolders) {
    const names = (await volume.names(folder)) ?? [];
    for (const name of names.filter((one) => /\.(wants|requires)$/.test(one))) {
      const target = name.replace(/\.(wants|requires)$/, '');
      for (const unit of (await volume.names(`${folder}/${name}`)) ?? []) {
        if (!unit.endsWith('.service')) continue;
        wanted.set(unit, [...(wanted.get(unit) ?? []), target]);
      }
    }
  }
  return wanted;
}

/** Null for one that is masked: its name is there and leads to nothing. */
async function readUnit(volume: ExtVolume, name: string): Promise<string | null> {
  for (const folder of unitFolders) {
    const path = `${folder}/${name}`;
    if ((await volume.kind(path)) !== null) return volume.text(path);
  }
  return null;
}

/** The unit's own lines and the scripts that it starts. */
async function withScripts(volume: ExtVolume, unitText: string): Promise<string> {
  const programs = [...unitText.matchAll(/^ExecStart(?:Pre|Post)?=[-@:+!]*(\/\S+)(.*)$/gm)]
    .flatMap(([, program = '', rest = '']) => [program, ...(rest.match(/\/[\w./-]+/g) ?? [])])
    .filter((path) => /^\/(?:usr\/|opt\/|etc\/|lib\/|s?bin\/)/.test(path))
    .slice(0, mostScripts);
  const texts = [unitText];
  for (const path of programs) {
    const text = await readScript(volume, path);
    if (text !== null) texts.push(text);
  }
  return texts.join('\n');
}

/** Programs proper are larger than a script or begin otherwise. */
async function readScript(volume: ExtVolume, path: string): Promise<string | null> {
  const sizeBytes = await volume.sizeBytes(path);
  if (sizeBytes === null || sizeBytes > largestScriptBytes) return null;
  const text = await volume.text(path);
  return text?.startsWith('#!') ? text : null;
}

/** All services that are started with the system, and what they run as far as it is scripts. */
export async function readWantedUnits(volume: ExtVolume): Promise<WantedUnit[]> {
  const units: WantedUnit[] = [];
  for (const [name, wantedBy] of [...(await listWanted(volume))].slice(0, mostUnits)) {
    const text = await readUnit(volume, name);
    if (text === null) continue;
    units.push({ name, text, withScripts: await withScripts(volume, text), wantedBy });
  }
  return units;
}
