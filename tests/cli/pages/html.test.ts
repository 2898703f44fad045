import { describe, expect, it } from 'vitest';
import { htmlDocument } from '../../../src/cli/pages/document.ts';
import { html } from '../../../src/cli/pages/html.ts';

describe('a page', () => {
  it('escapes whatever is not markup of ours', () => {
    const foreign = `<script>alert(1)</script>" onload='x' &amp;`;
    const { markup } = html`<p title="${foreign}">${foreign}</p>`;
    const escaped = '&lt;script&gt;alert(1)&lt;/script&gt;&quot; onload=&#39;x&#39; &amp;amp;';
    expect(markup).toBe(`<p title="${escaped}">${escaped}</p>`);
  });

  it('shows what could turn the direction of a line or hide in it', () => {
    expect(html`${'a\u202Eb\u0000\u200d'}`.markup).toBe('a\\u{202e}b\\x00\\u{200d}');
  });

  it('puts markup into markup, joins lists and leaves nothings out', () => {
    const items = ['<1>', 2].map((item) => html`<li>${item}</li>`);
    expect(html`<ul>${items}</ul>${null}${0}`.markup).toBe('<ul><li>&lt;1&gt;</li><li>2</li></ul>0');
  });

  it('lets a browser load and run nothing, and says who made it', () => {
    const page = htmlDocument('A & B', 'p { color: red }', html`<p>x</p>`);
    expect(page).toContain('<title>A &amp; B</title>');
    expect(page).toContain(`content="default-src 'none'; style-src 'unsafe-inline'"`);
    expect(page.indexOf('name="generator" content="cardwright"')).toBeLessThan(500);
  });
});
