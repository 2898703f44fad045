import { isScalar, isSeq, type YAMLMap } from 'yaml';
import { listOf, quoted, replaceSetting } from './yaml-text.ts';

/**
 * Puts commands before all others of the start of a boot (cloud-init, module bootcmd: each line is run by a shell, at
 * every boot, before host keys are made and long before services start). The image's own stay behind them.
 * @returns why that cannot be done, or null
 */
export function putFirstCommands(map: YAMLMap, commands: readonly string[]): string | null {
  if (commands.length === 0) return null;
  const before = map.get('bootcmd', true) ?? null;
  if (before !== null && !isSeq(before)) return 'its bootcmd is not a list';
  const isOurs = (item: unknown) => isScalar(item) && commands.includes(String(item.value));
  const others = before?.items.filter((item) => !isOurs(item)) ?? [];
  replaceSetting(map, 'bootcmd', listOf([...commands.map(quoted), ...(others as never[])]));
  return null;
}
