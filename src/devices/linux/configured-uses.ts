import type { UseKind } from '../../contract/devices.ts';
import { findConfigured, type NameTables, preferInUse } from './find-configured.ts';
import { parseKernelDevices } from './kernel-parameters.ts';
import type { MountedBlocks } from './mount-uses.ts';
import { type ConfiguredDevice, parseCrypttab, parseFstab } from './parse-fstab.ts';
import { readEfiBootPartitions } from './read-efi-boot.ts';
import { recordUse, type Survey } from './survey.ts';

const bootPoints = ['/boot', '/boot/efi', '/boot/firmware', '/efi'];

interface Source {
  path: string;
  name: string;
  parse: (text: string) => ConfiguredDevice[];
}

const sources: readonly Source[] = [
  { path: '/proc/cmdline', name: '', parse: parseKernelDevices },
  { path: '/etc/fstab', name: 'fstab: ', parse: parseFstab },
  { path: '/etc/crypttab', name: 'crypttab: ', parse: parseCrypttab },
];

/** What is in use now in the place that an entry configures. */
function inUseAt(
  survey: Survey,
  mounted: MountedBlocks,
  swaps: readonly string[],
  target: string,
): Set<string> {
  if (target === 'root=') return new Set(mounted.get('/'));
  if (target === 'mount.usr=') return new Set(mounted.get('/usr'));
  if (target === 'swap' || target === 'resume=') return new Set(swaps);
  const mapped = [...survey.map.byName.values()].find(({ label }) => label.endsWith(` (${target})`));
  return new Set([...(mounted.get(target) ?? []), ...(mapped?.below ?? [])]);
}

function kindOf(name: string, target: string): UseKind {
  return name === '' || bootPoints.includes(target) ? 'boot-chain' : 'configured';
}

async function readSource(survey: Survey, { path, parse }: Source): Promise<ConfiguredDevice[]> {
  const text = await survey.reader.readText(path);
  if (text.ok) return parse(text.value);
  if (text.why !== 'ENOENT') survey.unseen.push({ what: path, why: text.why, decides: true });
  return [];
}

async function recordEfi(survey: Survey, names: NameTables, mounted: MountedBlocks): Promise<void> {
  const carrying = new Set(
    ['/', ...bootPoints]
      .flatMap((point) => mounted.get(point) ?? [])
      .map((name) => survey.map.byName.get(name)?.disk),
  );
  for (const uuid of await readEfiBootPartitions(survey.reader, survey.unseen)) {
    const found = await findConfigured(names, `PARTUUID=${uuid}`);
    const onSameDisk = new Set(found.filter((name) => carrying.has(survey.map.byName.get(name)?.disk)));
    for (const name of preferInUse(found, onSameDisk)) {
      recordUse(survey, name, { kind: 'boot-chain', what: 'the partition that the firmware started from' });
    }
  }
}

/** Notes what the kernel's command line, fstab, crypttab and the firmware name, mounted now or not. */
export async function recordConfigured(
  survey: Survey,
  mounted: MountedBlocks,
  swaps: readonly string[],
): Promise<void> {
  const { reader, map, links, unseen } = survey;
  const names: NameTables = { reader, map, links, unseen, disks: [...survey.disks.values()] };
  for (const source of sources) {
    for (const { spec, target } of await readSource(survey, source)) {
      const found = await findConfigured(names, spec);
      for (const name of preferInUse(found, inUseAt(survey, mounted, swaps, target))) {
        const kind = kindOf(source.name, target);
        recordUse(survey, name, { kind, what: `${source.name}${target}` });
      }
    }
  }
  await recordEfi(survey, names, mounted);
}
