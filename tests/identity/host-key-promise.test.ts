import { describe, expect, it } from 'vitest';
import { describeFinding } from '../../src/contract/finding.ts';
import { keepHostKey } from '../../src/identity/host-key-promise.ts';
import { makeSet, readAsPython, rootLook, textOf } from './orchard.ts';

const unit = (name: string, changes = {}) => ({
  name,
  effect: 'replaces' as const,
  outOfReach: null,
  ...changes,
});

describe('a host key that was recorded', () => {
  it('is kept by masking what would replace it, and nothing else', () => {
    const kept = keepHostKey(
      rootLook({
        hostKeyUnits: [unit('new-keys.service'), unit('missing-keys.service', { effect: 'adds' })],
      }),
    );
    expect(kept.commands).toEqual(['systemctl mask --now --no-block new-keys.service']);
    expect(kept.findings).toMatchObject([
      { code: 'identity.host-key-unit-off', severity: 'note', facts: { unit: 'new-keys.service' } },
    ]);
  });

  it('is not promised where that cannot be done', () => {
    const early = unit('early.service', { outOfReach: 'it runs as early as the first-boot program itself' });
    const { commands, findings } = keepHostKey(rootLook({ hostKeyUnits: [early] }));
    expect(commands).toEqual([]);
    expect(findings.map(describeFinding)).toEqual([
      'The host key cannot be promised on this image: early.service makes new ones when a node starts, and it cannot be switched off from here (it runs as early as the first-boot program itself).',
    ]);
    const unread = keepHostKey({ state: 'unread', why: 'a root volume of type btrfs is not read here' });
    expect(unread).toMatchObject({ commands: [], findings: [{ code: 'identity.host-key-unsure' }] });
  });

  it('is nothing to talk about where nothing replaces it', () => {
    const nothing = { commands: [], findings: [] };
    expect([keepHostKey(rootLook()), keepHostKey(null), keepHostKey({ state: 'absent', why: 'x' })]).toEqual([
      nothing,
      nothing,
      nothing,
    ]);
  });
});

// cloud-init, "Module reference", bootcmd: a list, each item a line for a shell or a list of words.
describe('commands for the start of the first boot', () => {
  const firstBootFixes = ['systemctl mask --now --no-block new-keys.service'];
  const bootCommandsOf = (userData: string | null, fixes = firstBootFixes) => {
    const existing = { userData, metaData: null, networkConfig: null };
    return readAsPython(textOf(makeSet({ existing, firstBootFixes: fixes }), 'user-data')).bootcmd;
  };

  it('come before the image’s own, once', () => {
    const ours = firstBootFixes.map((command) => ['sh', '-c', command, 'cardwright']);
    expect(bootCommandsOf(null)).toEqual(ours);
    const own = '#cloud-config\nbootcmd:\n  - [modprobe, w1_gpio]\n  - echo "seen $1"\n';
    const merged = [...ours, ['modprobe', 'w1_gpio'], 'echo "seen $1"'];
    expect(bootCommandsOf(own)).toEqual(merged);
    const existing = { userData: own, metaData: null, networkConfig: null };
    const once = textOf(makeSet({ existing, firstBootFixes }), 'user-data');
    expect(bootCommandsOf(once)).toEqual(merged);
  });

  it('leave a file alone where there are none, and one that has no list is refused', () => {
    expect(bootCommandsOf('#cloud-config\nbootcmd: [one]\n', [])).toEqual(['one']);
    const existing = { userData: '#cloud-config\nbootcmd: reboot\n', metaData: null, networkConfig: null };
    const { findings } = makeSet({ existing, firstBootFixes });
    expect(findings).toMatchObject([
      { code: 'identity.unmergeable', severity: 'refuse', facts: { why: 'its bootcmd is not a list' } },
    ]);
  });
});
