/** Sheets that printers take, and labels that go onto them. Millimetres. */
export interface Paper {
  widthMm: number;
  heightMm: number;
  /** the word for it in CSS (CSS Paged Media Module Level 3, section 7.1) */
  css: string;
}

/** ISO 216 and ANSI/ASME Y14.1. */
export const papers = {
  A4: { widthMm: 210, heightMm: 297, css: 'A4' },
  letter: { widthMm: 215.9, heightMm: 279.4, css: 'letter' },
} as const satisfies Record<string, Paper>;

export type PaperName = keyof typeof papers;

export type LabelSizeName = 'case' | 'module';

/** A card's case is about 48 mm x 38 mm outside, a small module about 55 mm x 40 mm (common practice, no source). */
export const labelSizes = {
  case: { widthMm: 47, heightMm: 36 },
  module: { widthMm: 38, heightMm: 19 },
} as const satisfies Record<LabelSizeName, { widthMm: number; heightMm: number }>;

/** Most printers leave less than this white at each edge (common practice, no source). */
const edgeMm = 10;
/** for the line about the sheet at its foot, and the cut marks above it */
const footMm = 10;

export interface Grid {
  columns: number;
  rows: number;
  /** of the first label's upper left corner */
  leftMm: number;
  topMm: number;
}

/** As many labels as fit, edge to edge, in the middle of the sheet's width. */
export function gridOn(paper: Paper, label: { widthMm: number; heightMm: number }): Grid {
  const columns = Math.floor((paper.widthMm - 2 * edgeMm) / label.widthMm);
  const rows = Math.floor((paper.heightMm - 2 * edgeMm - footMm) / label.heightMm);
  return { columns, rows, leftMm: (paper.widthMm - columns * label.widthMm) / 2, topMm: edgeMm };
}
