import * as z from 'zod';
import type { DiskKind } from '../../contract/devices.ts';
import { defaultPolicy, type Policy } from '../../contract/policy.ts';
import { isPlainPath, isUnmountPlace } from '../unmount-place.ts';
import { parseSize } from './parse-size.ts';

/** Kinds that are cards by nature. All others are named one by one in `allowDevices`, or never written at all. */
const cardKinds = ['usb', 'mmc-sd', 'memstick'] as const satisfies readonly DiskKind[];

const deviceEntry = /^(\/dev\/disk\/by-id\/[^/]+|[0-9a-fA-F]{32}|\/dev\/loop\d+)$/;

function isDeviceEntry(entry: string): boolean {
  return deviceEntry.test(entry) && !/-part\d+$/.test(entry);
}

const size = z.unknown().transform((value, context) => {
  const bytes = parseSize(value);
  if (bytes !== null) return bytes;
  context.addIssue({ code: 'custom', message: 'a size is a whole number of bytes or text such as "64 GB"' });
  return z.NEVER;
});

const transport = z.enum(cardKinds, {
  error: `a transport is one of ${cardKinds.join(', ')}; other disks are named in allowDevices`,
});

const device = z
  .string({ error: 'a device is given as text, in quotes if it is all digits' })
  .refine(
    isDeviceEntry,
    'a device is /dev/disk/by-id/NAME (a whole disk), a CID of 32 hex digits, or /dev/loopN',
  );

const unmountPlace = z
  .string({ error: 'a folder is given as text' })
  .refine(isUnmountPlace, 'not a folder for cards: an absolute path outside the system, such as /media');

const folder = z
  .string({ error: 'a folder is given as text' })
  .refine(isPlainPath, 'a folder is an absolute path without "." and ".."');

const usbId = z
  .string({ error: 'a USB id is given as text' })
  .regex(/^[0-9a-fA-F]{4}:[0-9a-fA-F]{4}$/, 'a USB id is four hex digits, a colon and four more: "0a5c:2711"')
  .transform((id) => id.toLowerCase());

const text = z.string({ error: 'this has to be text' }).min(1, 'this must not be empty');

function listOf<T extends z.ZodType>(item: T) {
  return z.array(item, { error: 'this has to be a list' });
}

/** The keys of a policy file, all optional: what is left out is as in the built-in policy. */
const policySchema = z.strictObject(
  {
    maxSizeBytes: size.default(defaultPolicy.maxSizeBytes),
    transports: listOf(transport).default([...defaultPolicy.transports] as (typeof cardKinds)[number][]),
    allowDevices: listOf(device).default([...defaultPolicy.allowDevices]),
    unmountBelow: listOf(unmountPlace).default([...defaultPolicy.unmountBelow]),
    imageFolders: listOf(folder).default([...defaultPolicy.imageFolders]),
    bootModeIds: listOf(usbId).default([...defaultPolicy.bootModeIds]),
    atStop: z
      .enum(['finish', 'cancel'], { error: 'atStop is finish or cancel' })
      .default(defaultPolicy.atStop),
    groups: z
      .record(text, text, { error: 'groups is a map of names to texts, none of them empty' })
      .default({ ...defaultPolicy.groups }),
  },
  { error: 'a policy is a map of keys and values' },
);

/** One mistake: where it lies in the data, the unknown key if that is what it is, and a sentence. */
export interface SchemaMistake {
  path: PropertyKey[];
  key: string | null;
  what: string;
}

function mistakesOf(issue: z.core.$ZodIssue): SchemaMistake[] {
  if (issue.code !== 'unrecognized_keys') return [{ path: issue.path, key: null, what: issue.message }];
  const known = Object.keys(policySchema.shape).join(', ');
  return issue.keys.map((key) => ({
    path: issue.path,
    key,
    what: `unknown key "${key}"; known are ${known}`,
  }));
}

/** Checks plain data against the schema; all mistakes at once. */
export function checkPolicy(
  data: unknown,
): { ok: true; policy: Omit<Policy, 'source'> } | { ok: false; mistakes: SchemaMistake[] } {
  const result = policySchema.safeParse(data);
  if (result.success) return { ok: true, policy: result.data };
  return { ok: false, mistakes: result.error.issues.flatMap(mistakesOf) };
}
