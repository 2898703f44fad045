import { execFileSync } from 'node:child_process';
import * as fs from 'node:fs';
import { join } from 'node:path';
import type { Requirement } from './capabilities.ts';

/** Debian's chromium, and what reads what it printed. */
export const browserNeeds: Requirement[] = ['program:chromium', 'program:pdftoppm', 'program:zbarimg'];

const limitMs = 120_000;
const quiet = { stdio: ['ignore', 'pipe', 'pipe'] as ['ignore', 'pipe', 'pipe'], timeout: limitMs };

function runBrowser(page: string, folder: string, options: string[]): string {
  // Its sandbox does not start for root; the pages are our own.
  const base = ['--headless', '--no-sandbox', '--disable-gpu', '--no-first-run', '--hide-scrollbars'];
  return execFileSync(
    'chromium',
    [...base, `--user-data-dir=${join(folder, 'profile')}`, ...options, `file://${page}`],
    { ...quiet, encoding: 'utf8', env: { ...process.env, HOME: folder } },
  );
}

/** Prints a page as a person would, without the browser's own header and footer. */
export function printPage(page: string, folder: string): string {
  const pdf = join(folder, 'printed.pdf');
  runBrowser(page, folder, ['--no-pdf-header-footer', `--print-to-pdf=${pdf}`]);
  return pdf;
}

/** How many columns (CSS pixels) a page wants in a window of this width: more where it has to be moved sideways. */
export function widthWanted(page: string, folder: string, widthPx: number): number {
  const frame = join(folder, 'frame.html');
  const shown = fs.readFileSync(page, 'utf8').replaceAll('&', '&amp;').replaceAll('"', '&quot;');
  fs.writeFileSync(
    frame,
    `<!doctype html><iframe srcdoc="${shown}" style="width:${widthPx}px;height:800px;border:0"></iframe><script>
onload = () => document.documentElement.setAttribute('data-wanted', frames[0].document.documentElement.scrollWidth)</script>`,
  );
  const dom = runBrowser(frame, folder, ['--dump-dom']);
  return Number(/data-wanted="(\d+)"/.exec(dom)?.[1]);
}

/** Pages of a printed file and the size of its paper in millimetres (a point is 1/72 inch, ISO 32000-1, section 8.3.2.3). */
export function paperOf(pdf: string): { pages: number; widthMm: number; heightMm: number } {
  const text = execFileSync('pdfinfo', [pdf], { ...quiet, encoding: 'utf8' });
  const [, width = '', height = ''] = /Page size: +([\d.]+) x ([\d.]+) pts/.exec(text) ?? [];
  const mm = (points: string) => (Number(points) / 72) * 25.4;
  return { pages: Number(/Pages: +(\d+)/.exec(text)?.[1]), widthMm: mm(width), heightMm: mm(height) };
}

export interface Box {
  leftMm: number;
  topMm: number;
  widthMm: number;
  heightMm: number;
}

const dotsPerInch = 300;

/** What zbar reads in each of the given places of the first printed sheet, as a telephone that is held over one. */
export function codesOn(pdf: string, folder: string, boxes: readonly Box[]): string[] {
  const name = join(folder, 'sheet');
  execFileSync('pdftoppm', ['-r', `${dotsPerInch}`, '-gray', '-singlefile', pdf, name], quiet);
  const sheet = fs.readFileSync(`${name}.pgm`);
  const pictures = boxes.map((box, at) => {
    const path = join(folder, `label-${String(at).padStart(3, '0')}.pgm`);
    fs.writeFileSync(path, cutOut(sheet, box));
    return path;
  });
  return readCodes(...pictures);
}

/** A part of a gray picture in netpbm's PGM format. */
function cutOut(picture: Buffer, box: Box): Buffer {
  const [head = '', width = ''] = /^P5\s+(\d+)\s+\d+\s+255\s/.exec(picture.toString('latin1', 0, 100)) ?? [];
  const dots = (mm: number) => Math.round((mm / 25.4) * dotsPerInch);
  const left = dots(box.leftMm);
  const rows = Array.from({ length: dots(box.heightMm) }, (_, row) => {
    const from = head.length + (dots(box.topMm) + row) * Number(width) + left;
    return picture.subarray(from, from + dots(box.widthMm));
  });
  return Buffer.concat([Buffer.from(`P5 ${dots(box.widthMm)} ${rows.length} 255\n`), ...rows]);
}

/** What zbar reads in pictures, in their order. */
export function readCodes(...pictures: string[]): string[] {
  const xml = execFileSync('zbarimg', ['-q', '--xml', '-Sdisable', '-Sqrcode.enable', ...pictures], {
    ...quiet,
    encoding: 'utf8',
  });
  return [...xml.matchAll(/<data[^>]*><!\[CDATA\[([\s\S]*?)\]\]>/g)].map(([, text = '']) => text);
}

export interface PrintedWord {
  page: number;
  text: string;
  leftMm: number;
  topMm: number;
  rightMm: number;
  bottomMm: number;
}

/** Every word with the box that the browser's own fonts gave it. */
export function wordsOn(pdf: string): PrintedWord[] {
  const xml = execFileSync('pdftotext', ['-bbox', pdf, '-'], { ...quiet, encoding: 'utf8' });
  return xml.split('<page ').flatMap((part, page) =>
    [
      ...part.matchAll(
        /<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*?)<\/word>/g,
      ),
    ].map(([, ...found]) => {
      const [leftMm = 0, topMm = 0, rightMm = 0, bottomMm = 0] = found
        .slice(0, 4)
        .map((n) => (Number(n) / 72) * 25.4);
      return { page, text: found[4] ?? '', leftMm, topMm, rightMm, bottomMm };
    }),
  );
}
