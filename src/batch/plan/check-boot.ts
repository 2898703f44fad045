import {
  itemPaths,
  type Mistake,
  mistake,
  type PlanPath,
  partsOf,
  type Raw,
  textAt,
  whereOf,
} from './mistake.ts';

const longestWord = 256;
const longestLine = 256;
/** Arguments that the image or this tool decides: without them, or with others, the card does not start as its node. */
const takenArguments = /^(root|init|systemd\.hostname)(=|$)/;

function whyNoArgument(text: string): string | null {
  if (text === '') return 'it is empty';
  if (text.length > longestWord) return `it has ${text.length} characters`;
  if (!/^[\x21-\x7e]+$/.test(text)) return 'it has blanks or signs that a kernel line cannot have';
  const [, taken] = takenArguments.exec(text) ?? [];
  return taken === undefined ? null : `${taken} decides whether the card starts, and as which node`;
}

function whyNoLine(text: string): string | null {
  if (text.trim() === '') return 'it is empty';
  if (!/^[\x20-\x7e]+$/.test(text)) return 'it has line breaks or signs that such a file cannot have';
  if (/^\s*[[#]/.test(text)) return 'it is a heading or a comment, not a setting';
  return text.length > longestLine ? `it has ${text.length} characters` : null;
}

/** Arguments of the kernel line and lines of the firmware's settings file. */
export function checkBoot(raw: Raw): Mistake[] {
  const look = (path: PlanPath, why: (text: string) => string | null, what: string, fix: string): Mistake[] =>
    itemPaths(raw, path).flatMap((item) => {
      const text = textAt(raw, item);
      const reason = text === null ? null : why(text);
      const facts = { key: `${what} of ${whereOf(raw, item)}`, why: reason ?? '', fix };
      return reason === null ? [] : [mistake('plan.bad-setting', item, facts)];
    });
  return partsOf(raw).flatMap((part) => [
    ...['add', 'remove'].flatMap((key) =>
      look(
        [...part, 'boot', 'kernelLine', key],
        whyNoArgument,
        'An argument for the kernel line',
        'Give one word an entry, like cgroup_enable=memory.',
      ),
    ),
    ...look(
      [...part, 'boot', 'firmware'],
      whyNoLine,
      'A line for the firmware',
      'Give one setting a line, like dtparam=watchdog=on.',
    ),
  ]);
}
