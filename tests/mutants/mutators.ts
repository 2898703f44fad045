/**
 * Small changes that a slip of the hand could make to a rule, as edits over the syntax tree: comparisons and
 * conditions turned, entries of lists dropped, severities weakened, numbers off by one, results emptied, calls and
 * statements left out. Sentences for people (text with a space) are not changed: tests hold them elsewhere.
 */
import ts from 'typescript';

export interface Edit {
  kind: string;
  node: { start: number; end: number };
  after: string;
}

type Mutator = (node: ts.Node, text: (node: ts.Node) => string) => Edit[];

const edit = (kind: string, node: ts.Node, after: string): Edit => ({
  kind,
  node: { start: node.getStart(), end: node.end },
  after,
});

const swaps: Readonly<Record<string, readonly string[]>> = {
  '===': ['!=='],
  '!==': ['==='],
  '<': ['<=', '>='],
  '<=': ['<', '>'],
  '>': ['>=', '<='],
  '>=': ['>', '<'],
  '&&': ['||'],
  '||': ['&&'],
  '+': ['-'],
  '-': ['+'],
  '*': ['/'],
  '/': ['*'],
  '%': ['*'],
  '&': ['|'],
};

function isInType(node: ts.Node): boolean {
  for (let at: ts.Node | undefined = node; at !== undefined; at = at.parent) {
    if (ts.isTypeNode(at) || ts.isInterfaceDeclaration(at) || ts.isTypeAliasDeclaration(at)) return true;
    if (ts.isStatement(at)) return ts.isImportDeclaration(at);
  }
  return false;
}

const operators: Mutator = (node) => {
  if (!ts.isBinaryExpression(node)) return [];
  const sign = node.operatorToken;
  const swapped = (swaps[sign.getText()] ?? []).map((other) => edit('operator', sign, other));
  if (sign.kind !== ts.SyntaxKind.QuestionQuestionToken) return swapped;
  return [edit('fallback', node, node.right.getText())];
};

const conditions: Mutator = (node, text) => {
  const condition = ts.isIfStatement(node)
    ? node.expression
    : ts.isConditionalExpression(node)
      ? node.condition
      : null;
  if (condition === null) return [];
  return ['true', 'false', `!(${text(condition)})`].map((after) => edit('condition', condition, after));
};

const negations: Mutator = (node, text) =>
  ts.isPrefixUnaryExpression(node) && node.operator === ts.SyntaxKind.ExclamationToken
    ? [edit('negation', node, text(node.operand))]
    : [];

const severities: ReadonlyMap<string, readonly string[]> = new Map([
  ['refuse', ['note', 'ask']],
  ['ask', ['note', 'refuse']],
  ['note', ['refuse']],
]);

const strings: Mutator = (node) => {
  if (!ts.isStringLiteral(node) || node.text === '' || isInType(node)) return [];
  const parent = node.parent;
  if (ts.isPropertyAssignment(parent) && parent.name === node) return [];
  const weaker = severities.get(node.text);
  if (weaker !== undefined) return weaker.map((after) => edit('severity', node, `'${after}'`));
  const isList = ts.isPropertyAccessExpression(parent) && parent.name.text === 'split';
  const words = node.text.split(' ');
  if (isList) {
    return words.map((_, at) =>
      edit('entry', node, `'${words.filter((_word, other) => other !== at).join(' ')}'`),
    );
  }
  return words.length > 1 ? [] : [edit('text', node, "''")];
};

const numbers: Mutator = (node) => {
  if (!ts.isNumericLiteral(node) || isInType(node)) return [];
  const value = Number(node.getText());
  return [edit('number', node, String(value + 1)), edit('number', node, `(${value - 1})`)];
};

const booleans: Mutator = (node) => {
  if (isInType(node)) return [];
  if (node.kind === ts.SyntaxKind.TrueKeyword) return [edit('boolean', node, 'false')];
  return node.kind === ts.SyntaxKind.FalseKeyword ? [edit('boolean', node, 'true')] : [];
};

const lists: Mutator = (node, text) => {
  if (!ts.isArrayLiteralExpression(node)) return [];
  return node.elements.map((_, at) =>
    edit(
      'entry',
      node,
      `[${node.elements
        .filter((_one, other) => other !== at)
        .map(text)
        .join(', ')}]`,
    ),
  );
};

const callSwaps: ReadonlyMap<string, string> = new Map([
  ['some', 'every'],
  ['every', 'some'],
  ['startsWith', 'endsWith'],
  ['min', 'max'],
  ['max', 'min'],
]);

const droppable = new Set(
  'filter trim toLowerCase toUpperCase normalize sort replace padStart slice'.split(' '),
);

const calls: Mutator = (node, text) => {
  if (!ts.isCallExpression(node) || !ts.isPropertyAccessExpression(node.expression)) return [];
  const { name, expression } = node.expression;
  const swapped = callSwaps.get(name.text);
  if (swapped !== undefined) return [edit('call', name, swapped)];
  return droppable.has(name.text) ? [edit('call', node, text(expression))] : [];
};

const patterns: Mutator = (node, text) => {
  if (node.kind !== ts.SyntaxKind.RegularExpressionLiteral) return [];
  const found = text(node);
  const changed = [found.replace('/^', '/'), found.replace(/\$(\/\w*)$/, '$1'), found.replace(/\w+$/, '')];
  return changed.filter((after) => after !== found).map((after) => edit('pattern', node, after));
};

/** Statements that can be left out: calls, and returns, throws and `continue` under a condition. */
const statements: Mutator = (node) => {
  if (ts.isExpressionStatement(node)) return [edit('statement', node, ';')];
  const ends = ts.isThrowStatement(node) || ts.isContinueStatement(node) || ts.isReturnStatement(node);
  return ends && ts.isIfStatement(node.parent) ? [edit('statement', node, ';')] : [];
};

function emptyResults(type: string): string[] {
  if (type === 'boolean' || type.includes(' is ')) return ['true', 'false'];
  const results = [...(type.includes('[]') ? ['[]'] : []), ...(/\| null$/.test(type) ? ['null'] : [])];
  return results;
}

const results: Mutator = (node, text) => {
  if (!ts.isFunctionDeclaration(node) || !node.body || !node.type) return [];
  const { body, type } = node;
  return emptyResults(text(type)).map((result) => edit('result', body, `{ return ${result}; }`));
};

const mutators: readonly Mutator[] = [
  operators,
  conditions,
  negations,
  strings,
  numbers,
  booleans,
  lists,
  calls,
  patterns,
  statements,
  results,
];

/** All edits to one source file, in the order of the text. */
export function findEdits(file: string, source: string): Edit[] {
  const tree = ts.createSourceFile(file, source, ts.ScriptTarget.ESNext, true);
  const found: Edit[] = [];
  const visit = (node: ts.Node): void => {
    found.push(...mutators.flatMap((mutator) => mutator(node, (one) => one.getText(tree))));
    ts.forEachChild(node, visit);
  };
  visit(tree);
  return found.toSorted((a, b) => a.node.start - b.node.start);
}
