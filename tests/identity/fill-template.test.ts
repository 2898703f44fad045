import { describe, expect, it } from 'vitest';
import { fillTemplate } from '../../src/identity/fill-template.ts';
import { orchardNode, orchardPlan } from './orchard.ts';

const node = orchardNode({ address: '192.0.2.11/24', variables: { row: '7' } });
const plan = orchardPlan({}, { nodes: [node, orchardNode({ name: 'orchard-02', slot: 'A2' })] });
const fill = (text: string | Uint8Array) => {
  const filled = fillTemplate(Buffer.from(text), plan, node);
  return filled.ok ? Buffer.from(filled.content).toString() : filled;
};

describe('a template', () => {
  it.each([
    ['{{ node.name }}, row {{node.variables.row}} of {{ set }}', 'orchard-01, row 7 of orchard'],
    ['{{ node.ip }}/{{ node.prefix }} via {{ network.gateway }}', '192.0.2.11/24 via 192.0.2.1'],
    ['{% for one in nodes %}{{ one.name }} {% endfor %}', 'orchard-01 orchard-02 '],
    ['{% if node.slot == "A1" %}first{% else %}later{% endif %}', 'first'],
    ['{{ node.role | default: "none" }}, {{ user }}', 'none, grower'],
    ['ñ {} { { }} %', 'ñ {} { { }} %'],
    ['\ufeffas it is\r\n', '\ufeffas it is\r\n'],
  ])('%j becomes %j', (text, filled) => {
    expect(fill(text)).toBe(filled);
  });

  it.each([
    ['{{ node.nam }}', 'undefined variable: node.nam'],
    ['\n {{ node.variables.x }}', 'undefined variable: node.variables.x, line:2, col:5'],
    ['{{ node.constructor }}', 'undefined variable'],
    ['{{ plan.access.passwordHash }}', 'undefined variable'],
    ['{{ node.slot | nope }}', 'undefined filter: nope'],
    ['{% include "/etc/hostname" %}', 'Failed to lookup'],
    ["{% render '../secret' %}", 'Failed to lookup'],
    ['{{ node.name', 'not closed'],
    ['{% for i in (1..100000000) %}x{% endfor %}', 'limit exceeded'],
    [
      '{% assign x = "ab" %}{% for i in (1..60) %}{% assign x = x | append: x %}{% endfor %}',
      'limit exceeded',
    ],
    [Buffer.of(0xff, 0xfe), 'it is not UTF-8 text'],
    [Buffer.alloc(2 ** 20 + 1, 'x'), 'it is larger than 1 MiB'],
  ])('%j is refused', (text, why) => {
    expect(fill(text)).toMatchObject({ ok: false, why: expect.stringContaining(why) });
  });
});
