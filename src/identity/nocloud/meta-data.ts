import {
  freshYaml,
  quoted,
  readYamlMap,
  removeSetting,
  replaceSetting,
  tryToWriteYaml,
  type YamlText,
} from './yaml-text.ts';

interface MergedMetaData {
  text: string;
  /** settings of the image's file that are no longer as they were */
  replaced: string[];
}

/**
 * The node's meta-data: `instance-id`, new for each writing, by which the first-boot program knows that it has not
 * run yet, and the name. Other settings of the image stay, except the misspelt `instance_id`, which nothing reads,
 * and `seedfrom`, which would fetch another node's files. A file that cannot be read, or of which a setting that
 * goes was the anchor of another, is replaced as a whole.
 */
export function mergeMetaData(existing: string | null, name: string, instanceId: string): MergedMetaData {
  const old = readYamlMap((existing ?? '').replace(/^\ufeff/, ''));
  const merged = old.ok ? putIn(old, name, instanceId) : null;
  if (merged !== null) return merged;
  const text = putIn(freshYaml(), name, instanceId)?.text ?? '';
  return { text, replaced: ['meta-data'] };
}

/** Null where the rest cannot be written without what has gone. */
function putIn(yaml: YamlText, name: string, instanceId: string): MergedMetaData | null {
  const { map, document } = yaml;
  const replaced = ['instance_id', 'seedfrom'].filter((key) => removeSetting(map, key));
  if (replaceSetting(map, 'instance-id', quoted(instanceId))) replaced.push('instance-id');
  if (replaceSetting(map, 'local-hostname', quoted(name))) replaced.push('local-hostname');
  const text = tryToWriteYaml(document);
  return text === null ? null : { text, replaced: replaced.map((key) => `meta-data: ${key}`) };
}
