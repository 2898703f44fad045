import { type Finding, finding } from '../contract/finding.ts';
import type { PlanBoot } from '../contract/plan.ts';

/** Bytes of a kernel line, with its final zero (COMMAND_LINE_SIZE of Linux on arm64, riscv and x86: 2048). */
const longestLine = 2047;

/** The kernel line's words. A blank within quotes parts none (Linux, "The kernel's command-line parameters"). */
function wordsOf(line: string): string[] {
  return line.match(/(?:"[^"]*"?|[^\s"])+/g) ?? [];
}

/**
 * The kernel line with arguments taken away and others put in, each once; pure. Words after `--` are the first
 * program's, so ours go before it. The first line is the kernel line; what follows stays.
 * @param settings `remove` takes a whole word, or with an equals sign at its end any value
 */
export function editKernelLine(
  text: string,
  settings: PlanBoot['kernelLine'],
): { text: string; removed: string[] } {
  const [first = '', ...rest] = text.replace(/\r?\n$/, '').split('\n');
  const words = wordsOf(first);
  const end = words.indexOf('--');
  const own = end < 0 ? words : words.slice(0, end);
  const isUnwanted = (word: string) =>
    settings.remove.some((one) => (one.endsWith('=') ? word.startsWith(one) : word === one));
  const removed = own.filter((word) => isUnwanted(word) && !settings.add.includes(word));
  const kept = own.filter((word) => !removed.includes(word));
  const added = settings.add.filter((word) => !kept.includes(word));
  if (removed.length === 0 && added.length === 0) return { text, removed };
  const line = [...kept, ...added, ...(end < 0 ? [] : words.slice(end))].join(' ');
  return { text: `${[line, ...rest].join('\n')}\n`, removed };
}

const heading = /^\s*\[([^\]]*)\]/;

/** The lines of a settings file that hold for every machine: before any heading, or below `[all]`. */
function linesForAll(lines: readonly string[]): Set<string> {
  let section = 'all';
  const found = new Set<string>();
  for (const line of lines) {
    section = heading.exec(line)?.[1]?.trim().toLowerCase() ?? section;
    if (section === 'all') found.add(line.trim());
  }
  return found;
}

/**
 * The firmware's settings file with lines behind all others, where the last one counts; pure. What is there already
 * is not put in twice; order and comments stay. (Common practice, no source: lines `name=value`, headings that choose
 * a machine, `[all]` for every one.)
 */
export function editFirmwareSettings(text: string, settings: readonly string[], note: string): string {
  const lines = text.split(/\r?\n/);
  const there = linesForAll(lines);
  const missing = settings.filter((line) => !there.has(line.trim()));
  if (missing.length === 0) return text;
  const newline = text.includes('\r\n') ? '\r\n' : '\n';
  const start = text === '' || text.endsWith('\n') ? text : `${text}${newline}`;
  return `${start}${['', `# ${note}`, '[all]', ...missing, ''].join(newline)}`;
}

export interface SettingsFiles {
  /** the kernel line's file and the firmware's, as they are without these settings; null where there is none */
  cmdline: string | null;
  firmware: string | null;
}

export const settingsFiles = { cmdline: 'cmdline.txt', firmware: 'config.txt' } as const;

/**
 * Boot settings of a plan in the boot volume's own files: what these files are to hold, where they change.
 * A finding of severity `refuse` means that the image has no such file, or no room on its kernel line.
 */
export function applyBootSettings(
  boot: PlanBoot,
  existing: SettingsFiles,
  note: string,
): { changed: Partial<SettingsFiles>; replaced: string[]; findings: Finding[] } {
  const { kernelLine, firmware } = boot;
  const asksLine = kernelLine.add.length + kernelLine.remove.length > 0;
  const missing = (file: string, asked: string) =>
    finding('identity.no-settings-file', 'refuse', { file, asked });
  const findings: Finding[] = [
    ...(asksLine && existing.cmdline === null ? [missing(settingsFiles.cmdline, 'kernel arguments')] : []),
    ...(firmware.length > 0 && existing.firmware === null
      ? [missing(settingsFiles.firmware, 'settings for the firmware')]
      : []),
  ];
  if (findings.length > 0) return { changed: {}, replaced: [], findings };
  const line = editKernelLine(existing.cmdline ?? '', kernelLine);
  const sizeBytes = Buffer.byteLength(line.text.split('\n', 1)[0] ?? '');
  if (asksLine && sizeBytes > longestLine) {
    findings.push(finding('identity.kernel-line-too-long', 'refuse', { sizeBytes, mostBytes: longestLine }));
  }
  const settings = editFirmwareSettings(existing.firmware ?? '', firmware, note);
  return {
    changed: {
      ...(asksLine && line.text !== existing.cmdline ? { cmdline: line.text } : {}),
      ...(firmware.length > 0 && settings !== existing.firmware ? { firmware: settings } : {}),
    },
    replaced: line.removed.map((word) => `cmdline.txt: ${word}`),
    findings,
  };
}
