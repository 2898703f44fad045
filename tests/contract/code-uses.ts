import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import ts from 'typescript';

/** One place in src that makes a finding or an error with a code written out. */
export interface CodeUse {
  place: string;
  codes: string[];
  /** names of the facts given there; null where they are not written out on the spot */
  facts: Set<string> | null;
}

const root = new URL('../../src/', import.meta.url).pathname;

function sources(): ts.SourceFile[] {
  return readdirSync(root, { recursive: true, encoding: 'utf8' })
    .filter((path) => path.endsWith('.ts') && !path.startsWith('contract/catalogue/'))
    .map((path) =>
      ts.createSourceFile(path, readFileSync(join(root, path), 'utf8'), ts.ScriptTarget.ES2022, true),
    );
}

/** Every string literal in src, outside the catalogue itself. */
export function stringLiterals(): Set<string> {
  const found = new Set<string>();
  for (const source of sources())
    visit(source, (node) => ts.isStringLiteralLike(node) && found.add(node.text));
  return found;
}

/** Every `finding(…)` and `new CardwrightError(…)` whose code is a literal, or a choice between literals. */
export function codeUses(): CodeUse[] {
  const uses: CodeUse[] = [];
  for (const source of sources()) {
    visit(source, (node) => {
      const use = readUse(node);
      if (!use) return;
      const { line } = source.getLineAndCharacterOfPosition(node.getStart());
      uses.push({ place: `${source.fileName}:${line + 1}`, ...use });
    });
  }
  return uses;
}

function readUse(node: ts.Node): Omit<CodeUse, 'place'> | null {
  const isFinding = ts.isCallExpression(node) && node.expression.getText() === 'finding';
  const isError = ts.isNewExpression(node) && node.expression.getText() === 'CardwrightError';
  if (!isFinding && !isError) return null;
  const [code, second, third] = node.arguments ?? [];
  const codes = code ? chosenLiterals(code) : [];
  if (codes.length === 0) return null;
  return { codes, facts: isFinding ? factNames(third) : factNames(detailsFacts(second)) };
}

function chosenLiterals(node: ts.Expression): string[] {
  if (ts.isStringLiteralLike(node)) return [node.text];
  if (ts.isParenthesizedExpression(node)) return chosenLiterals(node.expression);
  if (!ts.isConditionalExpression(node)) return [];
  return [...chosenLiterals(node.whenTrue), ...chosenLiterals(node.whenFalse)];
}

/** The `facts` of an error's details: undefined where there are none, a non-literal where they come from elsewhere. */
function detailsFacts(details: ts.Expression | undefined): ts.Expression | undefined {
  if (!details || !ts.isObjectLiteralExpression(details)) return details;
  for (const property of details.properties) {
    if (ts.isSpreadAssignment(property)) return property.expression;
    if (property.name?.getText() !== 'facts') continue;
    return ts.isPropertyAssignment(property) ? property.initializer : (property.name as ts.Identifier);
  }
  return undefined;
}

function factNames(node: ts.Expression | undefined): Set<string> | null {
  if (!node) return new Set();
  if (!ts.isObjectLiteralExpression(node) || node.properties.some(ts.isSpreadAssignment)) return null;
  return new Set(node.properties.map((property) => property.name?.getText() ?? ''));
}

function visit(node: ts.Node, see: (node: ts.Node) => void): void {
  see(node);
  ts.forEachChild(node, (child) => visit(child, see));
}
