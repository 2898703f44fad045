/** Whatever a plan's texts are made of, the node reads just that: by PyYAML, in one run for all. */
import { execFileSync } from 'node:child_process';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { hasPythonYaml, makeSet, orchardNode, orchardPlan, textOf } from '../identity/orchard.ts';
import { fuzzed, fuzzTimeoutMs } from './fuzz.ts';

/** Twice through the writer: what it made is what it meets on a card that is personalized again. */
function writtenTwice(parts: Parameters<typeof makeSet>[0]): { userData: string; networkConfig: string }[] {
  const nothing = { userData: null, metaData: null, networkConfig: null };
  const first = makeSet(parts);
  const texts = (set: ReturnType<typeof makeSet>) => ({
    userData: textOf(set, 'user-data'),
    networkConfig: textOf(set, 'network-config'),
  });
  const second = makeSet({ ...parts, existing: { ...nothing, ...texts(first) } });
  return [texts(first), texts(second)];
}

function readByPython(all: readonly object[]): unknown[] {
  const program = `
import json, sys, yaml
out = []
for files in json.load(sys.stdin):
    user, net = yaml.safe_load(files['userData']), yaml.safe_load(files['networkConfig'])
    wlan = net['wifis']['wlan0']
    out.append({'names': list(wlan['access-points']), 'search': wlan['nameservers']['search'],
        'fqdn': user['fqdn'], 'commands': [c[2] for c in user['runcmd']],
        'files': [[f['path'], f['content']] for f in user['write_files'][1:]], 'timezone': user['timezone']})
print(json.dumps(out))`;
  return JSON.parse(
    execFileSync('/usr/bin/python3', ['-c', program], {
      input: JSON.stringify(all),
      maxBuffer: 2 ** 28,
    }).toString(),
  );
}

/** Signs that YAML, its readers or a shell see something in. */
const sign = fc.oneof(
  fc.constantFrom(
    ...'"\'\\#:-?&*!|>%@`{}[],~ \t\n\r\u0085\u2028\u2029\u007f\u0080\u009f\ufeff\ufffe\uffff$é😀',
  ),
  fc.string({ unit: 'binary', minLength: 1, maxLength: 1 }),
);
const text = fc
  .oneof(
    fc.string({ unit: sign, minLength: 1, maxLength: 40 }),
    fc.constantFrom(
      'yes',
      '0644',
      '1e3',
      '~',
      'null',
      '12:30:45',
      '2031-11-03',
      '<<',
      '=',
      '0x1F',
      '---',
      '- a',
    ),
  )
  .map((one) => one.replaceAll('\u0000', ''))
  .filter((one) => one !== '');
const label = fc.stringMatching(/^[a-z0-9]([a-z0-9-]{0,20}[a-z0-9])?$/);
const content = fc.uint8Array({ maxLength: 300 });

describe.skipIf(!hasPythonYaml())(
  'texts of a plan, read by PyYAML [skipped where python3-yaml is missing]',
  () => {
    it(
      'come out as they went in: names of networks, domains, commands, paths, contents',
      () => {
        const sent: object[] = [];
        const meant: object[] = [];
        const plans = fc.record({
          name: text,
          domain: fc.array(label, { minLength: 1, maxLength: 3 }).map((labels) => labels.join('.')),
          commands: fc.array(text, { minLength: 1, maxLength: 3 }),
          files: fc.uniqueArray(fc.tuple(text, content), {
            minLength: 1,
            maxLength: 3,
            selector: ([path]) => path,
          }),
        });
        fc.assert(
          fc.property(plans, ({ name, domain, commands, files }) => {
            const wifi = { name, key: 'ab'.repeat(32), country: 'ES', hidden: false };
            const { network } = orchardPlan();
            const plan = orchardPlan(
              {},
              { network: { ...network, domain, wifi }, system: { timezone: 'Europe/Madrid', locale: null } },
            );
            const node = orchardNode({ link: 'wifi', firstBoot: { files: [], commands } });
            const firstBootFiles = files.map(([path, bytes]) => ({
              path: `/srv/${path}`,
              content: bytes,
              mode: '0644',
              owner: 'root:root',
            }));
            sent.push(...writtenTwice({ plan, node, firstBootFiles }));
            const one = {
              names: [name],
              search: [domain],
              fqdn: `orchard-01.${domain}`,
              commands,
              files: firstBootFiles.map((file) => [file.path, Buffer.from(file.content).toString('base64')]),
              timezone: 'Europe/Madrid',
            };
            meant.push(one, one);
          }),
          fuzzed(150),
        );
        const got = readByPython(sent) as { files: [string, string][] }[];
        const joined = got.map((one) => ({
          ...one,
          files: one.files.map(([path, base64]) => [path, base64.replaceAll('\n', '')]),
        }));
        expect(joined).toEqual(meant);
      },
      fuzzTimeoutMs,
    );
  },
);
