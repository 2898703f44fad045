import { existsSync, readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import type { CatalogueEntry } from '../../src/contract/catalogue/entry.ts';
import { catalogue } from '../../src/contract/catalogue/index.ts';
import { exitStatus } from '../../src/contract/exit-status.ts';
import { catalogueMarkdown } from '../../src/contract/render-catalogue.ts';
import { codeUses, stringLiterals } from './code-uses.ts';

const entries: [string, CatalogueEntry][] = Object.entries(catalogue);
const page = new URL('../../src/contract/ERRORS.md', import.meta.url);

function placeholders(template: string): string[] {
  return [...template.matchAll(/\{(\w+)\}/g)].map(([, name]) => name ?? '');
}

/** Codes with a text that the check does not like, so that one look shows all. */
function offenders(isWrong: (text: string, code: string) => boolean): string[] {
  return entries
    .filter(([code, { what, next }]) => [what, next].some((text) => isWrong(text, code)))
    .map(([code]) => code);
}

/** Plan keys keep their spelling at the start of a sentence; a sentence may come whole from a fact. */
const sentence = /^(?:[A-Z{"]|(?:access|passwordHash|sha256)\b).*[.?!}]$/s;
/** An example in the plan's own notation, `{ name: … }`, is no placeholder. */
const example = /\{ [^{}]* \}/g;

describe('the catalogue', () => {
  it('reads room.what-happened throughout', () => {
    const wrong = entries.map(([code]) => code).filter((code) => !/^[a-z]+\.[a-z]+(-[a-z0-9]+)*$/.test(code));
    expect(wrong).toEqual([]);
  });

  it('says what happened and what to do, in whole sentences', () => {
    expect(offenders((text) => !sentence.test(text))).toEqual([]);
    expect(offenders((text) => / {2}|[\n\t]/.test(text))).toEqual([]);
  });

  it('names its facts in camelCase, and leaves no brace alone', () => {
    expect(offenders((text) => placeholders(text).some((name) => !/^[a-z][a-zA-Z0-9]*$/.test(name)))).toEqual(
      [],
    );
    expect(offenders((text) => /[{}]/.test(text.replace(example, '').replace(/\{\w+\}/g, '')))).toEqual([]);
  });

  it('gives an exit status that exists', () => {
    for (const [, { exit }] of entries) expect(exitStatus).toHaveProperty(exit);
  });

  it('has no code twice across its parts', async () => {
    const parts = [
      'usage',
      'plan',
      'devices',
      'guard',
      'media',
      'volume',
      'image',
      'identity',
      'seed',
      'records',
      'job',
      'rollcall',
      'batch',
      'daemon',
    ];
    const counts = await Promise.all(
      parts.map(async (part) => {
        const module = await import(`../../src/contract/catalogue/${part}.ts`);
        return Object.keys(module[`${part}Codes`]).length;
      }),
    );
    expect(counts.reduce((sum, count) => sum + count, 0)).toBe(entries.length);
  });
});

describe('the catalogue and the code', () => {
  const uses = codeUses();

  it('are read by the check: it finds many uses', () => {
    expect(uses.length).toBeGreaterThan(50);
  });

  it('every code is used somewhere, unless it is retired', () => {
    const literals = stringLiterals();
    const unused = entries
      .filter(([code, entry]) => !entry.retired && !literals.has(code))
      .map(([code]) => code);
    expect(unused).toEqual([]);
  });

  it('every code that the code gives is listed, and not retired', () => {
    const known = new Map(entries);
    const wrong = uses.flatMap(({ place, codes }) =>
      codes
        .filter((code) => known.get(code)?.retired !== undefined || !known.has(code))
        .map((c) => `${place} ${c}`),
    );
    expect(wrong).toEqual([]);
  });

  it('every place that writes its facts out gives all that the sentences need', () => {
    const known = new Map(entries);
    const missing = uses.flatMap(({ place, codes, facts }) =>
      codes.flatMap((code) => {
        const entry = known.get(code);
        if (!entry || !facts) return [];
        const wanted = new Set(placeholders(entry.what + entry.next));
        return [...wanted].filter((name) => !facts.has(name)).map((name) => `${place} ${code} {${name}}`);
      }),
    );
    expect(missing).toEqual([]);
  });
});

describe('the page of errors', () => {
  it('is exactly what the catalogue makes', () => {
    expect(existsSync(page), 'src/contract/ERRORS.md is there').toBe(true);
    expect(readFileSync(page, 'utf8')).toBe(catalogueMarkdown());
  });

  it('lists every code once, and no other', () => {
    const listed = [...catalogueMarkdown().matchAll(/^\| `([^`]+)`/gm)].map(([, code]) => code ?? '');
    expect(listed.toSorted()).toEqual(entries.map(([code]) => code).toSorted());
  });

  it('keeps every row a row of four cells', () => {
    const rows = catalogueMarkdown()
      .split('\n')
      .filter((line) => line.startsWith('| `'));
    for (const row of rows) expect(row.split(/(?<!\\)\|/).length, row).toBe(6);
  });
});
