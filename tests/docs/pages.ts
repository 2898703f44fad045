import type { Examples } from './make-examples.ts';

const marker = /<!-- example: ([\w-]+) -->\n```console\n([\s\S]*?)```/g;

/** The examples that a page shows, by name. */
export function examplesIn(page: string): Examples {
  return new Map([...page.matchAll(marker)].map(([, name = '', text = '']) => [name, text]));
}

/** The page with its examples replaced by new ones; those without a new one stay. */
export function replaceExamples(page: string, examples: Examples): string {
  return page.replace(marker, (whole, name: string) => {
    const text = examples.get(name);
    return text === undefined ? whole : `<!-- example: ${name} -->\n\`\`\`console\n${tidy(text)}\`\`\``;
  });
}

/** Takes this machine's own disks and folders out of an example, so that a reader sees the orchard's station alone. */
export function tidy(text: string): string {
  return `${text
    .replace(/\/(tmp|run|var\/tmp|dev\/shm)\/cardwright-[\w-]+(\/rehearsal)?/g, '/home/grower/orchard')
    .replace(/ +$/gm, '')
    .trimEnd()}\n`;
}

/**
 * What may differ from one run to the next: times, rates, codes, keys, names of loop devices, dates, record numbers'
 * UUIDs; and line breaks, since words of other lengths break lines elsewhere.
 */
export function comparable(text: string): string {
  return tidy(text)
    .replace(/^\w+ +\d+ % ·[^\n]*\n( +[^\n]*\n)?/gm, '')
    .replace(/\d[\d.,]* ?[kMG]?B\/s/g, 'RATE')
    .replace(/(about |under )?\d+ (h|min|s)( \d+ (min|s))?(?=\W|$)/g, 'TIME')
    .replace(/SHA256:[\w+/]{43}/g, 'FINGERPRINT')
    .replace(/\b[0-9a-f]{64}\b/g, 'DIGEST')
    .replace(/\b[0-9a-f]{8}…/g, 'DIGEST')
    .replace(/\/?(dev\/)?loop\d+/g, 'LOOP')
    .replace(/\b[2-9A-Y]{4}\b(?= |\n|$)/g, 'CODE')
    .replace(/--confirm \w+/g, '--confirm CODE')
    .replace(/\d{1,2} [A-Z][a-z]{2}( \d{4})?,? ?(\d\d:\d\d(:\d\d)?)?/g, 'DATE')
    .replace(/[\d,]{6,} sectors/g, 'SECTORS')
    .replace(/\d[\d,.]* [kMG]B as stored/g, 'STORED')
    .replace(/[\d,]+ bytes as stored/g, 'STORED')
    .replace(/\s+/g, ' ');
}
