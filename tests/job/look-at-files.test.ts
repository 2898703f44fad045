import { createHash } from 'node:crypto';
import { beforeAll, expect, it } from 'vitest';
import { makeHostKey } from '../../src/identity/keys/host-key.ts';
import { lookAtFiles } from '../../src/job/engine/look-at-files.ts';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { orchardNode } from '../identity/orchard.ts';
import { describeWith } from '../lab/capabilities.ts';
import { fatTools, makeFat, mtools, sourceOf, wholeOf, withFiles } from '../volume/fat-image.ts';
import { editedVolume, filesKey } from './node-on-volume.ts';

const states = (image: Buffer, key: Uint8Array | null = filesKey) =>
  Object.fromEntries(
    (lookAtFiles(sourceOf(image), wholeOf(image), key)?.files ?? []).map(({ path, state }) => [path, state]),
  );

describeWith(fatTools, 'the files of a card from the drawer', { timeoutMs: 60_000 }, () => {
  let stock: Buffer;
  let card: Buffer;
  beforeAll(async () => {
    await loadFat();
    stock = withFiles(makeFat(['-F', '16'], 12 * 2 ** 20), {
      'config.txt': 'arm_64bit=1\n',
      'user-data': '#cloud-config\n',
      'meta-data': '',
    });
    const node = orchardNode({ name: 'orchard-01', address: '192.0.2.11/24' });
    const extra = { 'sensors/row-1.txt': 'row 1' };
    card = editedVolume(stock, { node, hostKeys: [makeHostKey('orchard-01')], extra }).after;
  });

  it('are as they were written', () => {
    const look = lookAtFiles(sourceOf(card), wholeOf(card), filesKey);
    // mtools reads the same file.
    const file = Buffer.from(mtools(card, 'mtype', ['::/cardwright.node']), 'latin1');
    expect(look?.identitySha256).toBe(createHash('sha256').update(file).digest('hex'));
    expect(look?.isIntact).toBe(true);
    expect(look?.files?.length).toBeGreaterThanOrEqual(4);
    expect(new Set(Object.values(states(card)))).toEqual(new Set(['as-written']));
    expect(states(card)['sensors/row-1.txt']).toBe('as-written');
  });

  it('were changed, or are gone, each by its name', () => {
    const changed = withFiles(card, {
      'meta-data': 'instance-id: another\n',
      'network-config': 'version: 2\n',
    });
    expect(states(changed)).toMatchObject({
      'meta-data': 'changed',
      'network-config': 'changed',
      'sensors/row-1.txt': 'as-written',
      'user-data': 'as-written',
    });
    const without = withFiles(stock, {
      'cardwright.node': mtools(card, 'mtype', ['::/cardwright.node']),
    });
    expect(states(without)).toMatchObject({
      'network-config': 'gone',
      'sensors/row-1.txt': 'gone',
      'user-data': 'changed',
    });
  });

  it('cannot be judged without the key of the record, or with another, where they are secret', () => {
    expect(states(card, null)).toMatchObject({ 'user-data': 'unproven', 'sensors/row-1.txt': 'unproven' });
    expect(states(card, Buffer.alloc(32, 'other'))['user-data']).toBe('changed');
  });

  it('are no more than the volume holds, whatever a list claims', () => {
    const text = mtools(card, 'mtype', ['::/cardwright.node']);
    const listed = JSON.parse(text) as { files: unknown[] };
    const huge = { path: 'config.txt', sizeBytes: 2 ** 40, sha256: 'a'.repeat(64), hmac: null };
    const forged = JSON.stringify({ ...listed, files: [huge, ...listed.files] }, null, 2);
    const look = lookAtFiles(
      sourceOf(withFiles(card, { 'cardwright.node': forged })),
      wholeOf(card),
      filesKey,
    );
    expect(look?.isIntact).toBe(false);
    expect(new Set(look?.files?.map(({ state }) => state))).toEqual(new Set(['unproven']));
  });

  it('are nobody of ours where there is no identity file', () => {
    expect(lookAtFiles(sourceOf(stock), wholeOf(stock), null)).toBeNull();
    const broken = withFiles(stock, { 'cardwright.node': '{}' });
    expect(lookAtFiles(sourceOf(broken), wholeOf(broken), null)).toBeNull();
  });
});
