import type { ToolEnd } from '../e2e/run-tool.ts';

/** What is another at every run, on either way: times, rates, numbers of records and media, fresh keys. */
const volatile = new Set([
  ...[
    'times',
    'elapsedMs',
    'bytesPerSecond',
    'meanBytesPerSecond',
    'secondsLeft',
    'writtenAt',
    'batch',
    'doneRecord',
  ],
  ...['record', 'recordId', 'records', 'id', 'uuid', 'settledRecord', 'diskseq', 'pid', 'hostKeys'],
  ...[
    'hostKeyFingerprint',
    'hostKeyFingerprints',
    'publicKey',
    'lastWritten',
    'against',
    'ranges',
    'diff',
    'lines',
    'changes',
  ],
]);

function steady(value: unknown): unknown {
  if (Array.isArray(value)) return value.map(steady);
  if (value === null || typeof value !== 'object') return value;
  return Object.fromEntries(
    Object.entries(value).map(([key, one]) => [key, volatile.has(key) ? 'VOLATILE' : steady(one)]),
  );
}

/** A command's lines without its progress, and without what no two runs have in common. */
export function comparableLines({ lines }: ToolEnd): unknown[] {
  const passing = new Set(['progress', 'stall']);
  const typeOf = ({ type, event }: Record<string, unknown>) =>
    String(type === 'job' ? (event as { type: unknown }).type : type);
  return lines.filter((line) => !passing.has(typeOf(line))).map(steady);
}
