import { parse } from 'yaml';
import type { FirstBootSettings } from '../../contract/root-facts.ts';
import { whyTooComplex } from '../../guard/yaml-limits.ts';
import type { ExtVolume } from '../ext-volume.ts';

type Settings = Record<string, unknown>;

const folder = '/etc/cloud/cloud.cfg.d';
const mostFiles = 100;
const mostLexemes = 20_000;
const moduleLists = ['cloud_init_modules', 'cloud_config_modules', 'cloud_final_modules'];

function isMap(value: unknown): value is Settings {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}

function textsIn(value: unknown): string[] | null {
  return Array.isArray(value) ? value.filter((item) => typeof item === 'string') : null;
}

/** Mappings are merged, all else of the later file takes the earlier one's place (cloud-init, "Base configuration"). */
function merge(earlier: Settings, later: Settings): Settings {
  const merged = new Map(Object.entries(earlier));
  for (const [key, value] of Object.entries(later)) {
    const before = merged.get(key);
    merged.set(key, isMap(before) && isMap(value) ? merge(before, value) : value);
  }
  return Object.fromEntries(merged);
}

/** One file of settings as the node's reader takes it (YAML 1.1); null where that cannot be said. */
function readSettings(text: string): Settings | null {
  if (whyTooComplex(text, mostLexemes) !== null) return null;
  try {
    const value: unknown = parse(text, { version: '1.1', maxAliasCount: 50, logLevel: 'error' });
    return isMap(value) ? value : value === null ? {} : null;
  } catch {
    // The parser throws for whatever is no YAML; the caller names the file.
    return null;
  }
}

function modulesOf(all: Settings): string[] | null {
  const lists = moduleLists.map((name) => all[name]).filter(Array.isArray);
  if (lists.length === 0) return null;
  // A module may stand with how often it runs: [scripts-user, always].
  const names = lists.flat().map((item) => (Array.isArray(item) ? item[0] : item));
  return names.filter((name) => typeof name === 'string').map((name) => name.replaceAll('-', '_'));
}

function within(all: Settings, ...path: string[]): unknown {
  let value: unknown = all;
  for (const key of path) value = isMap(value) ? value[key] : undefined;
  return value;
}

/**
 * What the files of settings say together, in the order in which they are read.
 * @param texts path and content of each
 */
function settingsOf(texts: readonly (readonly [path: string, text: string])[]): FirstBootSettings {
  let all: Settings = {};
  const unclear: string[] = [];
  for (const [path, text] of texts) {
    const settings = readSettings(text);
    if (settings === null) unclear.push(path);
    else all = merge(all, settings);
  }
  const label = within(all, 'datasource', 'NoCloud', 'fs_label');
  const seedFrom = within(all, 'datasource', 'NoCloud', 'seedfrom');
  return {
    datasources: textsIn(all.datasource_list),
    fsLabel: label === null ? null : typeof label === 'string' ? label : 'cidata',
    seedFrom: typeof seedFrom === 'string' ? seedFrom : null,
    networkIsOff: within(all, 'network', 'config') === 'disabled',
    renderers: textsIn(within(all, 'system_info', 'network', 'renderers')),
    modules: modulesOf(all),
    deletesHostKeys: all.ssh_deletekeys !== false,
    hostKeyTypes: textsIn(all.ssh_genkeytypes),
    unclear,
  };
}

export async function readFirstBootSettings(volume: ExtVolume): Promise<FirstBootSettings> {
  const names = ((await volume.names(folder)) ?? []).filter((name) => name.endsWith('.cfg')).sort();
  const texts: [string, string][] = [];
  for (const path of [
    '/etc/cloud/cloud.cfg',
    ...names.slice(0, mostFiles).map((name) => `${folder}/${name}`),
  ]) {
    const text = await volume.text(path);
    if (text !== null) texts.push([path, text]);
  }
  return settingsOf(texts);
}
