import { beforeAll, expect, it } from 'vitest';
import { readIdentityFile } from '../../src/identity/identity-file.ts';
import { makeHostKey } from '../../src/identity/keys/host-key.ts';
import { editFiles } from '../../src/job/engine/edit-boot-volume.ts';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { openVolume } from '../../src/volume/open-volume.ts';
import { orchardNode, orchardPlan } from '../identity/orchard.ts';
import { describeWith } from '../lab/capabilities.ts';
import {
  checkFat,
  codeOf,
  fatTools,
  makeFat,
  mtools,
  sourceOf,
  wholeOf,
  withFiles,
} from '../volume/fat-image.ts';
import { editedVolume, identity, orderFor } from './node-on-volume.ts';

const stock = {
  'config.txt': 'arm_64bit=1\n',
  'cmdline.txt': 'console=tty1 rootwait\n',
  'USER-DATA': '#cloud-config\n# stock\npackages: [htop]\n',
  'META-DATA': 'instance_id: node-image\n',
};

/** Every file by its path, as mtools reads it. */
function treeOf(image: Buffer): Record<string, string> {
  const paths = mtools(image, 'mdir', ['-b', '-/', '::/']).trim().split('\n').sort();
  return Object.fromEntries(
    paths.map((path) => [path, path.endsWith('/') ? '' : mtools(image, 'mtype', [path])]),
  );
}

const first = orchardNode({ name: 'orchard-01', address: '192.0.2.11/24' });
const second = orchardNode({ name: 'orchard-02' });

describeWith(fatTools, 'one node after another on a boot volume', { timeoutMs: 60_000 }, () => {
  let image: Buffer;
  beforeAll(async () => {
    await loadFat();
    image = withFiles(makeFat(['-F', '16'], 12 * 2 ** 20), stock);
  });

  it('leaves the second as it would be on the image, and nothing of the first', () => {
    const extra = {
      'sensors/row-1.txt': 'row 1',
      'sensors/deep/tree.txt': 'a tree',
      'config.txt': 'first\n',
    };
    const { after } = editedVolume(image, { node: first, hostKeys: [makeHostKey('orchard-01')], extra });
    expect(treeOf(after)).toMatchObject({ '::/config.txt': 'first\n', '::/sensors/deep/tree.txt': 'a tree' });
    const changed = editedVolume(after, { node: second });
    expect(checkFat(changed.after)).toMatchObject({ status: 0 });
    const tree = treeOf(changed.after);
    expect(tree).toEqual(treeOf(editedVolume(image, { node: second }).after));
    expect(JSON.stringify(tree)).not.toMatch(/orchard-01|192\.0\.2\.11|sensors/);
    expect(changed.removed.sort()).toEqual(['sensors/deep/tree.txt', 'sensors/row-1.txt']);
  });

  it('gives the same files again for the same node, but for the instance id', () => {
    const once = editedVolume(image, { node: first, extra: { 'sensors/row-1.txt': 'row 1' } }).after;
    const twice = editedVolume(once, { node: first, extra: { 'sensors/row-1.txt': 'row 1' } }).after;
    expect(treeOf(twice)).toEqual(treeOf(once));
    const renewed = { node: first, extra: { 'sensors/row-1.txt': 'row 1' }, instanceId: 'orchard-01-2' };
    const {
      '::/cardwright.node': _a,
      '::/meta-data': meta,
      ...rest
    } = treeOf(editedVolume(once, renewed).after);
    const { '::/cardwright.node': _b, '::/meta-data': before, ...same } = treeOf(once);
    expect(rest).toEqual(same);
    expect(meta).toBe(before?.replaceAll('orchard-01-1', 'orchard-01-2'));
    expect(meta).not.toBe(before);
  });

  it('takes the host keys of a former writing away where the image is to make its own', () => {
    const once = editedVolume(image, { node: first, hostKeys: [makeHostKey('orchard-01')] }).after;
    expect(treeOf(once)['::/user-data']).toContain('ssh_keys');
    const plan = { ...orchardPlan({}), hostKeys: 'image' as const };
    const twice = editedVolume(once, { node: first, plan }).after;
    expect(JSON.stringify(treeOf(twice))).not.toMatch(/ssh_keys|PRIVATE KEY/);
  });

  it('lists all that it put in, and nothing that could be guessed from the list', () => {
    const after = editedVolume(image, { node: first, extra: { 'sensors/row-1.txt': 'row 1' } }).after;
    const tree = treeOf(after);
    const read = readIdentityFile(Buffer.from(tree['::/cardwright.node'] ?? '', 'latin1'));
    if (!read.ok || read.listing === null) throw new Error('no list');
    const paths = read.listing.files.map(({ path }) => `::/${path}`);
    const own = Object.keys(tree).filter((path) => !path.endsWith('/') && path !== '::/cardwright.node');
    const untouched = ['::/cmdline.txt', '::/config.txt'].filter((path) => !paths.includes(path));
    expect([...paths, ...untouched].sort()).toEqual(own);
    const extra = read.listing.files.find(({ path }) => path === 'sensors/row-1.txt');
    expect([extra?.sha256, extra?.hmac?.length]).toEqual([null, 64]);
  });

  it.each([
    ['of format 1', JSON.stringify({ format: 1, ...identity }), /identity.cannot-take-off/],
    ['with a list that was changed by hand', null, /identity.cannot-take-off/],
  ])('refuses a card %s and leaves it as it is', (_title, text, code) => {
    const once = editedVolume(image, { node: first }).after;
    const listed = treeOf(once)['::/cardwright.node'] ?? '';
    const bad = withFiles(image, { 'cardwright.node': text ?? listed.replace('user-data', 'user-dota') });
    const volume = openVolume(sourceOf(bad), wholeOf(bad));
    expect(codeOf(() => editFiles(volume, orderFor(bad, { node: second })))).toMatch(code);
    expect(volume.changes()).toEqual([]);
    volume.close();
  });
});
