/**
 * The last proof: the cards that we make start computers, each under its own name, at its own address, with the host
 * key that was recorded here and for the plan's key alone. Judged by programs that know nothing of this project:
 * a Debian system with its own cloud-init (documentation, "NoCloud"), OpenSSH's client, e2fsck, fsck.vfat.
 */
import { spawnSync } from 'node:child_process';
import { createHash } from 'node:crypto';
import { beforeAll, expect, it } from 'vitest';
import { recordFigure } from '../figures/record-figure.ts';
import { describeWith } from '../lab/capabilities.ts';
import { type LivedCard, makeAndLive } from './proof-day.ts';
import { domain, fieldBytes } from './proof-orchard.ts';
import type { ToolEnd } from './run-tool.ts';

const tools = [
  'loop',
  'qemu',
  'bench-network',
  'program:mmdebstrap',
  'program:mke2fs',
  'program:sfdisk',
  'program:mkfs.vfat',
  'program:fsck.vfat',
  'program:mcopy',
  'program:xz',
  'program:ssh',
] as const;

/** Building the image for the first time included, on a machine that is busy. */
const longestMs = 45 * 60_000;

function fingerprintOf(keyLine: string): string | undefined {
  const { stdout } = spawnSync('ssh-keygen', ['-l', '-f', '-'], { input: `${keyLine}\n`, encoding: 'utf8' });
  return stdout.split(' ')[1];
}

describeWith(tools, 'two finished cards in two computers', () => {
  let cards: readonly LivedCard[] = [];
  let rollCall: ToolEnd;
  beforeAll(async () => {
    ({ cards, rollCall } = await makeAndLive());
  }, longestMs);

  const forEach = (judge: (card: LivedCard) => void) => () => {
    expect(cards).toHaveLength(2);
    for (const card of cards) judge(card);
  };
  const answerOf = ({ answers }: LivedCard, key: keyof LivedCard['answers']) => answers[key].stdout.trim();

  it(
    'are made by the command line, and clean before the power comes on',
    forEach(({ node, made, beforePower }) => {
      expect(made.status, made.stdout + made.stderr).toBe(0);
      expect(made.lines.find(({ type }) => type === 'done')).toMatchObject({
        card: 'done',
        node: node.name,
      });
      expect(beforePower.root).toMatchObject({ status: 0 });
      expect(beforePower.boot).toMatchObject({ status: 0 });
    }),
  );

  it(
    'let the grower in with the plan’s key, by the host key on record and no other',
    forEach(({ answers, recordedKey, recordedFingerprint, hostKeys, doors }) => {
      // The client got here under StrictHostKeyChecking=yes with nothing but the record to go by (ssh_config(5)).
      expect(answers.user).toMatchObject({ status: 0, stdout: 'grower' });
      expect(answers.superUser).toMatchObject({ status: 0, stdout: 'root' });
      // The image came with three host keys of its own, the same on every card.
      expect(hostKeys).toEqual([recordedKey]);
      expect(fingerprintOf(recordedKey)).toBe(recordedFingerprint);
      expect(answers.hostKeyFiles.stdout.split('\n')).toEqual([
        // Readable by root alone, else sshd does not take it (sshd(8), "FILES").
        '/etc/ssh/ssh_host_ed25519_key 600 root',
        expect.stringMatching(/^\/etc\/ssh\/ssh_host_ed25519_key\.pub \d+ root$/),
      ]);
      expect(doors.otherHostKey.status).toBe(255);
      expect(doors.otherHostKey.stderr).toContain('Host key verification failed');
    }),
  );

  it(
    'let nobody in with a password, although the image would have',
    forEach((card) => {
      const { doors } = card;
      for (const [user, { status, stderr }] of Object.entries(doors.password)) {
        expect(status, user).toBe(255);
        // In brackets: the ways that the server offers (RFC 4252 section 5.1, "authentications that can continue").
        expect(stderr, user).toMatch(/Permission denied \(publickey\)\.$/m);
      }
      // That the server would say so: the same question once passwords are switched on again.
      expect(doors.passwordSwitchedOn.stderr).toMatch(/Permission denied \(publickey,password\)\.$/m);
      // passwd(1), --status: L, the password is locked.
      expect(answerOf(card, 'password')).toMatch(/^grower L /);
    }),
  );

  it(
    'let in neither a stranger’s key nor root',
    forEach(({ doors: { strangersKey, rootWithKey } }) => {
      for (const { status, stderr } of [strangersKey, rootWithKey]) {
        expect(status).toBe(255);
        expect(stderr).toContain('Permission denied (publickey)');
      }
    }),
  );

  it(
    'have the plan’s names and addresses',
    forEach((card) => {
      expect(answerOf(card, 'hostName')).toBe(card.node.name);
      expect(answerOf(card, 'addresses').split(/\s+/).slice(1)).toEqual(['UP', `${card.node.address}/24`]);
      expect(answerOf(card, 'route')).toMatch(/^default via 192\.0\.2\.1 dev \S+ proto static/);
      expect(answerOf(card, 'nameservers')).toMatch(/^nameserver 192\.0\.2\.1$/m);
    }),
  );

  it(
    'have the plan’s domain, clock and language',
    forEach((card) => {
      expect(answerOf(card, 'fullName')).toBe(`${card.node.name}.${domain}`);
      expect(answerOf(card, 'nameservers')).toMatch(/^search orchard\.example\.org$/m);
      // Dates as locale en_GB has them: day, month, year (glibc, localedata/locales/en_GB, d_fmt).
      expect(answerOf(card, 'clockAndLanguage').split('\n')).toEqual(['+0545', 'en_GB.UTF-8', '03/11/31']);
    }),
  );

  it(
    'made the plan’s files and ran its commands once, each after the other, whatever one of them ended with',
    forEach((card) => {
      const { name } = card.node;
      expect(answerOf(card, 'ownFiles').split('\n')).toEqual([
        '/etc/orchard/gate.conf 640 root:root',
        // A folder that was made for it, and that the grower can use, too.
        '/home/grower/fields 755 grower:grower',
        '/home/grower/fields/field.bin 600 grower:grower',
        expect.stringMatching(/^\/var\/lib\/first-boot \d+ root:root$/),
      ]);
      const digest = createHash('sha256').update(fieldBytes).digest('hex');
      expect(answerOf(card, 'ownContents').split('\n')).toEqual([
        `${digest}  /home/grower/fields/field.bin`,
        `gate of ${name}`,
        `it's ${name}.${domain}`,
        '256',
      ]);
      // One of the two cards was another node's before: its commands are not there a second time.
      expect(answerOf(card, 'ownCommands').match(/^'sh' '-c' /gm)).toHaveLength(4);
    }),
  );

  it(
    'went through their first boot without a complaint, and kept the image’s other settings',
    forEach((card) => {
      expect(answerOf(card, 'firstBoot')).toMatch(/^status: done$/m);
      expect(answerOf(card, 'firstBoot')).toContain('DataSourceNoCloud');
      expect(card.answers.userDataCheck).toMatchObject({ status: 0 });
      expect(answerOf(card, 'userDataCheck')).toContain('Valid cloud-config');
      expect(answerOf(card, 'complaints')).toBe('');
      expect(answerOf(card, 'failedUnits')).toBe('');
      expect(answerOf(card, 'ownText')).toBe('A node of the orchard.');
    }),
  );

  it('answer the roll call as the nodes that were made here', () => {
    expect(rollCall.status, rollCall.stdout + rollCall.stderr).toBe(0);
    expect(rollCall.lines.at(-1)).toMatchObject({
      nodes: cards.map(({ node }) => ({ node: node.name, state: 'ours', at: node.address })),
    });
  });

  it('are two different nodes', () => {
    const [first, second] = cards;
    expect(cards.map((card) => answerOf(card, 'hostName'))).toEqual(cards.map(({ node }) => node.name));
    for (const key of ['hostName', 'addresses', 'machineId'] as const) {
      expect(first?.answers[key].stdout, key).not.toBe(second?.answers[key].stdout);
    }
    expect(first?.recordedKey).not.toBe(second?.recordedKey);
    recordFigure('boots proven', cards.length, 'two nodes side by side');
  });

  it(
    'switch off in order, leave clean volumes, and are known by their nodes in a drawer',
    forEach(({ node, end, afterPower, identified }) => {
      expect(end).toBe('status 0');
      expect(afterPower.root).toMatchObject({ status: 0 });
      expect(afterPower.boot).toMatchObject({ status: 0 });
      expect(identified.lines.at(-1)).toMatchObject({
        type: 'identify',
        onTheCard: { set: 'orchard', node: node.name },
      });
    }),
  );
});
