import { freshYaml, quoted, readYamlMap, removeSetting, replaceSetting, writeYaml } from './yaml-text.ts';

/**
 * The node's meta-data: `instance-id`, new for each writing, by which the first-boot program knows that it has not
 * run yet, and the name. Other settings of the image stay, except the misspelt `instance_id`, which nothing reads,
 * and `seedfrom`, which would fetch another node's files. An unreadable file is replaced as a whole.
 */
export function mergeMetaData(
  existing: string | null,
  name: string,
  instanceId: string,
): { text: string; replaced: string[] } {
  const old = readYamlMap((existing ?? '').replace(/^\ufeff/, ''));
  const { map, document } = old.ok ? old : freshYaml();
  const replaced = ['instance_id', 'seedfrom'].filter((key) => removeSetting(map, key));
  if (replaceSetting(map, 'instance-id', quoted(instanceId))) replaced.push('instance-id');
  if (replaceSetting(map, 'local-hostname', quoted(name))) replaced.push('local-hostname');
  const what = replaced.map((key) => `meta-data: ${key}`);
  return { text: writeYaml(document), replaced: old.ok ? what : ['meta-data'] };
}
