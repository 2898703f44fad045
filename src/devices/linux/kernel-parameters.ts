import { type ConfiguredDevice, namesDevice } from './parse-fstab.ts';

/** Parameters that name a device the running system started from or hibernates to. */
const deviceParameters = new Set([
  'root',
  'resume',
  'mount.usr',
  'live-media',
  'rd.luks.uuid',
  'luks.uuid',
  'cryptdevice',
]);

/** Names that a device may have in `root=` although there is none: no disk of ours is meant. */
const notDevices = new Set(['/dev/nfs', '/dev/ram', '/dev/ram0', '/dev/cifs']);

/** Splits a kernel command line; double quotes protect spaces (admin-guide/kernel-parameters). */
export function splitKernelParameters(text: string): string[] {
  return text.match(/(?:[^\s"]|"[^"]*"?)+/g) ?? [];
}

export function isDeviceParameter(word: string): boolean {
  return deviceParameters.has(word.split('=')[0] ?? '');
}

function specOf(name: string, value: string): string {
  if (name.endsWith('luks.uuid')) return `UUID=${value.replace(/^luks-/, '')}`;
  if (name === 'cryptdevice') return value.replace(/^((?:[A-Z]+=)?[^:]+):.*$/, '$1');
  // "8:2" and "b302" (major 0xb3, minor 2) are numbers, not names.
  const [, major, minor] = value.match(/^([0-9a-f]{1,2})([0-9a-f]{2})$/i) ?? [];
  if (major && minor) return `NUMBERS=${Number.parseInt(major, 16)}:${Number.parseInt(minor, 16)}`;
  return /^\d+:\d+$/.test(value) ? `NUMBERS=${value}` : value.replace(/\/PARTNROFF=.*$/, '');
}

/** Devices named on the kernel command line, each with the parameter that names it as `target`. */
export function parseKernelDevices(text: string): ConfiguredDevice[] {
  return splitKernelParameters(text)
    .filter(isDeviceParameter)
    .map((word) => word.replaceAll('"', ''))
    .map((word) => ({ name: word.slice(0, word.indexOf('=')), value: word.slice(word.indexOf('=') + 1) }))
    .filter(({ value }) => value !== '' && !notDevices.has(value))
    .map(({ name, value }) => ({ target: `${name}=`, spec: specOf(name, value) }))
    .filter(({ spec }) => namesDevice(spec) || spec.startsWith('NUMBERS='));
}
