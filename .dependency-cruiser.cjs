/** The tree is the architecture: a folder imports only from those before it in this list (DEVELOPERS.md, "The house"). */
const layers = [
  'contract',
  'devices',
  'guard',
  'media',
  'volume',
  'image',
  'identity',
  'records',
  'job',
  'batch',
  'rehearsal',
  'daemon',
  'cli',
];

module.exports = {
  forbidden: [
    { name: 'no-cycles', severity: 'error', from: {}, to: { circular: true } },
    ...layers.map((layer, at) => ({
      name: `${layer}-looks-up-only`,
      severity: 'error',
      from: { path: `^src/${layer}/` },
      to: { path: `^src/(${layers.slice(at + 1).join('|') || 'nothing'})/` },
    })),
    {
      name: 'pure-rooms-do-no-io',
      comment: 'Rules, verdicts and table reading are pure functions over plain data.',
      severity: 'error',
      from: { path: '^src/(contract|guard/rules|image/table|job/verdict)' },
      to: { dependencyTypes: ['core'], pathNot: '^(node:)?(buffer|crypto|zlib)$' },
    },
  ],
  options: {
    doNotFollow: { path: 'node_modules' },
    tsConfig: { fileName: 'tsconfig.json' },
    tsPreCompilationDeps: true,
    enhancedResolveOptions: { extensions: ['.ts', '.js'] },
  },
};
