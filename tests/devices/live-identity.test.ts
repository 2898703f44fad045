import { expect, it } from 'vitest';
import { createLiveReader } from '../../src/devices/linux/live-reader.ts';
import { compareIdentity, readIdentity } from '../../src/devices/read-identity.ts';
import { describeWith } from '../lab/capabilities.ts';
import { withLoopDisk } from '../lab/loop-disk.ts';

describeWith(['loop'], 'the identity of a real device', () => {
  it('changes in diskseq and size with another card under the same name', async () => {
    await withLoopDisk({ sizeBytes: 8 << 20, backing: 'file', content: 'zeros' }, async (disk) => {
      const before = await readIdentity(createLiveReader(), disk.majorMinor);
      expect(before).toMatchObject({ ok: true, value: { node: disk.node, sizeBytes: 8 << 20 } });
      await disk.changeCard({ sizeBytes: 4 << 20 });
      const after = await readIdentity(createLiveReader(), disk.majorMinor);
      if (!before.ok || !after.ok) throw new Error('no identity');
      expect(compareIdentity(before.value, after.value)).toEqual(['sizeBytes', 'diskseq']);
    });
  });
});
