import { escapeText } from '../../contract/escape-text.ts';

/** Finished markup. Only `html` makes it, so whatever is not of this class is text and gets escaped. */
export class Html {
  readonly markup: string;
  constructor(markup: string) {
    this.markup = markup;
  }
}

export type HtmlPart = Html | string | number | null | readonly HtmlPart[];

/** Longer than anything that a record holds. */
const mostCharacters = 20_000;

const entities: Readonly<Record<string, string>> = {
  '&': '&amp;',
  '<': '&lt;',
  '>': '&gt;',
  '"': '&quot;',
  "'": '&#39;',
};

/**
 * HTML or SVG whose values are escaped unless they are `Html` themselves; null is nothing, lists are joined. Good for
 * text and quoted attributes, where the five characters are enough (HTML Living Standard, section 13.1.4 and 13.2.5).
 */
export function html(literals: TemplateStringsArray, ...values: readonly HtmlPart[]): Html {
  return new Html(literals.map((literal, at) => literal + markupOf(values[at] ?? null)).join(''));
}

function markupOf(part: HtmlPart): string {
  if (part === null) return '';
  if (part instanceof Html) return part.markup;
  if (typeof part === 'object') return part.map(markupOf).join('');
  return escapeText(String(part), mostCharacters).replace(/[&<>"']/g, (sign) => entities[sign] ?? sign);
}
