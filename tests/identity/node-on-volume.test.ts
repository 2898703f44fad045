import { beforeAll, expect, it } from 'vitest';
import { applyNodeFiles } from '../../src/identity/apply-node-files.ts';
import { detectMechanism } from '../../src/identity/detect-mechanism.ts';
import { makeIdentityFile, readIdentityFile } from '../../src/identity/identity-file.ts';
import { makeHostKey } from '../../src/identity/keys/host-key.ts';
import { loadFat } from '../../src/volume/fat/load-fat.ts';
import { type BootVolume, openVolume } from '../../src/volume/open-volume.ts';
import { describeWith } from '../lab/capabilities.ts';
import {
  applied,
  checkFat,
  codeOf,
  fatTools,
  makeFat,
  mtools,
  sourceOf,
  wholeOf,
  withFiles,
} from '../volume/fat-image.ts';
import { growerHash, growerKey, makeSet, orchardNode, orchardPlan, rootLook, textOf } from './orchard.ts';

const stock = {
  'config.txt': 'arm_64bit=1\n',
  'cmdline.txt': 'console=tty1 rootwait\n',
  'USER-DATA': '#cloud-config\n# stock\npackages: [htop]\n',
  'META-DATA': 'instance_id: node-image\n',
  'overlays/vc4.dtbo': 'binary',
};
const identityFile = makeIdentityFile(
  {
    set: 'orchard',
    node: 'orchard-01',
    record: 'a2b5c1d0-0000-4000-8000-000000000001',
    imageSha256: null,
    tool: '0.1.0',
    writtenAt: '2031-11-03T21:46:58.000Z',
  },
  { files: [], folders: [] },
);

const read = (volume: BootVolume, path: string) =>
  volume.stat(path) === null ? null : Buffer.from(volume.readFile(path)).toString('utf8');

describeWith(fatTools, 'a node’s files on a boot volume', { timeoutMs: 60_000 }, () => {
  let image: Buffer;
  beforeAll(async () => {
    await loadFat();
    image = withFiles(makeFat(['-F', '32', '-s', '1', '-n', 'BOOTFS'], 34 * 2 ** 20), stock);
  });

  it('go in whole, over the image’s own, and leave the rest', () => {
    const volume = openVolume(sourceOf(image), wholeOf(image));
    const mechanism = detectMechanism(volume);
    expect(mechanism.mechanism).toBe('nocloud-files');
    const set = makeSet({
      mechanism,
      hostKeys: [makeHostKey('orchard-01')],
      node: orchardNode({ address: '192.0.2.11/24' }),
      existing: {
        userData: read(volume, 'user-data'),
        metaData: read(volume, 'meta-data'),
        networkConfig: read(volume, 'network-config'),
      },
      extraFiles: [{ path: 'files/extra.txt', content: Buffer.from('extra') }],
    });
    const files = [...set.files, identityFile];
    expect(applyNodeFiles(volume, files, [...set.remove, 'no-such-file', 'config.txt'])).toMatchObject({
      removed: ['config.txt'],
      folders: ['cardwright.image', 'files'],
    });
    const after = applied(image, volume.changes());
    volume.close();

    expect(checkFat(after)).toMatchObject({ status: 0 });
    expect(mtools(after, 'mdir', ['-b', '-/', '::/']).trim().split('\n').sort()).toEqual([
      '::/cardwright.image/',
      '::/cardwright.image/META-DATA',
      '::/cardwright.image/USER-DATA',
      '::/cardwright.image/config.txt',
      '::/cardwright.node',
      '::/cmdline.txt',
      '::/files/',
      '::/files/extra.txt',
      '::/meta-data',
      '::/network-config',
      '::/overlays/',
      '::/overlays/vc4.dtbo',
      '::/user-data',
    ]);
    for (const { path, content } of files) {
      expect(mtools(after, 'mtype', [`::/${path}`])).toBe(Buffer.from(content).toString('latin1'));
    }
    expect(mtools(after, 'mtype', ['::/user-data'])).toContain('packages: [ htop ]');
    expect(mtools(after, 'mtype', ['::/cmdline.txt'])).toBe(stock['cmdline.txt']);

    const again = openVolume(sourceOf(after), wholeOf(after));
    expect(detectMechanism(again)).toEqual(mechanism);
    expect(readIdentityFile(again.readFile('cardwright.node'))).toMatchObject({ ok: true });
    again.close();
  });

  it('keep the label by which the image is found', () => {
    const labelled = makeFat(['-F', '16', '-n', 'system-boot'.toUpperCase()], 12 * 2 ** 20);
    // mkfs.vfat warns of lower case in labels; the image that has it was made by other means.
    const lower = Buffer.from(labelled.toString('latin1').replaceAll('SYSTEM-BOOT', 'system-boot'), 'latin1');
    const volume = openVolume(sourceOf(lower), wholeOf(lower));
    const mechanism = detectMechanism(volume, rootLook({}, { fsLabel: 'system-boot' }));
    expect([mechanism.mechanism, volume.label]).toEqual(['nocloud-label', 'system-boot']);
    const set = makeSet({ mechanism });
    applyNodeFiles(volume, set.files, set.remove);
    const after = applied(lower, volume.changes());
    volume.close();
    const again = openVolume(sourceOf(after), wholeOf(after));
    expect([again.label, detectMechanism(again).mechanism]).toEqual(['system-boot', 'nocloud-files']);
    again.close();
    expect(mtools(after, 'mtype', ['::/user-data'])).toBe(textOf(set, 'user-data'));
  });

  it('go in as marker files, with the name on the kernel line', () => {
    const { 'config.txt': config, 'cmdline.txt': cmdline } = stock;
    const marked = withFiles(makeFat(['-F', '16'], 12 * 2 ** 20), {
      'config.txt': config,
      'cmdline.txt': cmdline,
      userconf: 'x',
    });
    const volume = openVolume(sourceOf(marked), wholeOf(marked));
    const mechanism = detectMechanism(volume);
    const existing = {
      userData: null,
      metaData: null,
      networkConfig: null,
      cmdline: read(volume, 'cmdline.txt'),
    };
    const plan = orchardPlan({ authorizedKeys: [], passwordHash: growerHash });
    const set = makeSet({ mechanism, plan, existing });
    expect(applyNodeFiles(volume, set.files, set.remove).removed).toEqual(['userconf']);
    const after = applied(marked, volume.changes());
    volume.close();
    expect(checkFat(after)).toMatchObject({ status: 0 });
    expect(mtools(after, 'mtype', ['::/userconf.txt'])).toBe(`grower:${growerHash}\n`);
    expect(mtools(after, 'mtype', ['::/cmdline.txt'])).toContain('systemd.hostname=orchard-01');
    expect(mtools(after, 'mdir', ['-b', '::/'])).not.toMatch(/userconf$/m);
  });

  it('go in all or not at all', () => {
    const volume = openVolume(sourceOf(image), wholeOf(image));
    const { files } = makeSet();
    const tooMuch = { path: 'big', content: new Uint8Array(volume.freeBytes + 8192), secret: false };
    expect(codeOf(() => applyNodeFiles(volume, [...files, tooMuch], ['cmdline.txt']))).toBe('volume.full');
    expect(volume.changes()).toEqual([]);
    expect(read(volume, 'cmdline.txt')).toBe(stock['cmdline.txt']);
    expect(read(volume, 'user-data')).not.toContain(growerKey);
    volume.close();
  });
});
