/**
 * Mutants that no test can notice, by name, and why: mostly because they do the same as the original. All others have
 * to be killed.
 */
const reasons: readonly [reason: string, names: readonly string[]][] = [
  [
    'an empty name of an encoding means UTF-8',
    [
      "src/guard/approval/approval-code.ts: text: const text = Buffer.from(String(value), 'utf8'); => const text = Buffer.from(String(value), '');",
    ],
  ],
  [
    'any number of random bytes makes a draft’s name that nobody else has',
    [
      "src/guard/approval/station-key.ts: number: const draft = `${file}.${process.pid}.${randomBytes(4).toString('hex')}.new`; => const draft = `${file}.${process.pid}.${randomBytes(5).toString('hex')}.new`;",
      "src/guard/approval/station-key.ts: number: const draft = `${file}.${process.pid}.${randomBytes(4).toString('hex')}.new`; => const draft = `${file}.${process.pid}.${randomBytes((3)).toString('hex')}.new`;",
    ],
  ],
  [
    'only a power cut tells whether the key was flushed; then it is made anew',
    ['src/guard/approval/station-key.ts: statement: await handle.sync(); => ;'],
  ],
  [
    'an unknown count stays below the limit of 1000 with any of these numbers',
    [
      'src/guard/archive-content.ts: number: return (signature.fileCount ?? 0) >= manyFiles; => return (signature.fileCount ?? 1) >= manyFiles;',
      'src/guard/archive-content.ts: number: return (signature.fileCount ?? 0) >= manyFiles; => return (signature.fileCount ?? (-1)) >= manyFiles;',
    ],
  ],
  [
    'a UUID has no line breaks, at which alone the two differ',
    [
      "src/guard/archive-content.ts: pattern: const uuidStart = escapeText((signature.uuid ?? '').replace(/-.*$/, '')); => const uuidStart = escapeText((signature.uuid ?? '').replace(/-.*/, ''));",
    ],
  ],
  [
    'there is always a node around a mistake, and it begins at 0 or later',
    [
      'src/guard/policy/parse-policy.ts: number: return Math.max(0, ...nodes.map((node) => (isNode(node) && node.range ? node.range[0] : 0))); => return Math.max((-1), ...nodes.map((node) => (isNode(node) && node.range ? node.range[0] : 0)));',
      'src/guard/policy/parse-policy.ts: number: return Math.max(0, ...nodes.map((node) => (isNode(node) && node.range ? node.range[0] : 0))); => return Math.max(0, ...nodes.map((node) => (isNode(node) && node.range ? node.range[0] : 1)));',
      'src/guard/policy/parse-policy.ts: number: return Math.max(0, ...nodes.map((node) => (isNode(node) && node.range ? node.range[0] : 0))); => return Math.max(0, ...nodes.map((node) => (isNode(node) && node.range ? node.range[0] : (-1))));',
    ],
  ],
  [
    'keys are unknown at the top of a policy only, where the list of nodes has one entry',
    ['src/guard/policy/parse-policy.ts: number: const map = around.at(-1); => const map = around.at(-(0));'],
  ],
  [
    'the schema’s own name of such a mistake is not read',
    [
      "src/guard/policy/policy-schema.ts: text: context.addIssue({ code: 'custom', message: 'a size is a whole number of bytes or text such as \"64 GB\"' }); => context.addIssue({ code: '', message: 'a size is a whole number of bytes or text such as \"64 GB\"' });",
    ],
  ],
  [
    'the built-in policy has nothing in these lists',
    [
      'src/guard/policy/policy-schema.ts: entry: allowDevices: listOf(device).default([...defaultPolicy.allowDevices]), => allowDevices: listOf(device).default([]),',
      'src/guard/policy/policy-schema.ts: entry: imageFolders: listOf(folder).default([...defaultPolicy.imageFolders]), => imageFolders: listOf(folder).default([]),',
      'src/guard/policy/policy-schema.ts: entry: bootModeIds: listOf(usbId).default([...defaultPolicy.bootModeIds]), => bootModeIds: listOf(usbId).default([]),',
    ],
  ],
  [
    'what is compared with 40 may begin at any number below',
    [
      'src/guard/yaml-limits.ts: number: let most = 0; => let most = 1;',
      'src/guard/yaml-limits.ts: number: let most = 0; => let most = (-1);',
    ],
  ],
];

/** Name → reason. */
export const survivors: Readonly<Record<string, string>> = Object.fromEntries(
  reasons.flatMap(([reason, names]) => names.map((name) => [name, reason])),
);
