import { unescapeOctal } from './octal-escapes.ts';

/** A device that a configuration file of the station names. */
export interface ConfiguredDevice {
  /** "/dev/sda2", "UUID=…", "LABEL=…", "PARTUUID=…" … */
  spec: string;
  /** mount point, `swap`, or the crypttab name */
  target: string;
}

function fieldsOf(text: string): string[][] {
  return text
    .split('\n')
    .map((line) => line.trim())
    .filter((line) => line !== '' && !line.startsWith('#'))
    .map((line) => line.split(/\s+/).map(unescapeOctal));
}

function unquote(text: string): string {
  return text.replaceAll(/^"(.*)"$|^'(.*)'$/g, '$1$2');
}

/** `TAG="value"` to `TAG=value`, as libmount reads it. */
function cleanSpec(spec: string): string {
  const [, tag, value] = spec.match(/^([A-Z]+)=(.*)$/) ?? [];
  return tag === undefined || value === undefined ? unquote(spec) : `${tag}=${unquote(value)}`;
}

/** Whether a first field names a device of this machine at all, not a network share or a virtual file system. */
export function namesDevice(spec: string): boolean {
  return /^(UUID|LABEL|PARTUUID|PARTLABEL|ID)=./.test(spec) || spec.startsWith('/dev/');
}

/** fstab(5): device, mount point, … Entries that name no device are left out. */
export function parseFstab(text: string): ConfiguredDevice[] {
  return fieldsOf(text)
    .map(([spec = '', target = '', type = '']) => ({
      spec: cleanSpec(spec),
      target: type === 'swap' ? 'swap' : target,
    }))
    .filter(({ spec }) => namesDevice(spec));
}

/** crypttab(5): name, device, key (`path:DEVICE` where the key lies on a device of its own), options (`header=`). */
export function parseCrypttab(text: string): ConfiguredDevice[] {
  return fieldsOf(text).flatMap(([target = '', spec = '', key = '', options = '']) => {
    const elsewhere = [key, ...options.split(',').filter((option) => option.startsWith('header='))]
      .map((value) => value.match(/^[^:]*:(.+)$/)?.[1] ?? '')
      .map(cleanSpec);
    return [cleanSpec(spec), ...elsewhere].filter(namesDevice).map((found) => ({ spec: found, target }));
  });
}
