import { execFileSync } from 'node:child_process';
import { describe, expect, it } from 'vitest';
import { checkPasswordHash } from '../../src/identity/password-hash.ts';
import { describeWith } from '../lab/capabilities.ts';

describe('password hashes', () => {
  it.each([
    ['hunter2', /no password hash/],
    ['', /no password hash/],
    ['$6$', /damaged/],
    // libxcrypt answers `*0` to so few rounds.
    [`$6$rounds=10$roundstoolow$${'a'.repeat(86)}`, /between 1000/],
    [`$6$salt$${'a'.repeat(85)}`, /damaged/],
    [`$6$salt$${'a'.repeat(86)}\n`, /damaged/],
    [`$6$salt:x$${'a'.repeat(86)}`, /damaged/],
    [`$6$saltsaltsaltsalts$${'a'.repeat(86)}`, /damaged/],
    ['$y$j9T$short$x', /damaged/],
    ['$1$saltsalt$qjXMvbEw8oaL.CzflDtaK/', /MD5/],
    ['$9$nobody$knows', /not one/],
    ['!', /no password hash/],
  ])('refuses %j, without repeating it', (hash, reason) => {
    const why = checkPasswordHash(hash);
    expect(why).toMatch(reason);
    if (hash.length > 6) expect(why).not.toContain(hash);
  });
});

describeWith(['program:mkpasswd'], 'hashes that mkpasswd makes', () => {
  it.each(['sha512crypt', 'sha256crypt', 'yescrypt', 'bcrypt'])('takes %s', (method) => {
    const hash = execFileSync('mkpasswd', ['-m', method, '-s'], {
      input: 'correct horse',
      encoding: 'utf8',
    }).trim();
    expect(checkPasswordHash(hash)).toBeNull();
    expect(checkPasswordHash(hash.slice(0, -1))).toMatch(/damaged/);
  });

  it.each(['md5crypt', 'descrypt'])('refuses %s', (method) => {
    const hash = execFileSync('mkpasswd', ['-m', method, '-s'], {
      input: 'correct horse',
      encoding: 'utf8',
    }).trim();
    expect(checkPasswordHash(hash)).not.toBeNull();
  });
});
