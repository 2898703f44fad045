import { execFileSync } from 'node:child_process';
import { describe, expect, it } from 'vitest';
import { checkPasswordHash } from '../../src/identity/password-hash.ts';
import { describeWith } from '../lab/capabilities.ts';

describe('password hashes', () => {
  // U. Drepper, "Unix crypt using SHA-256 and SHA-512", test vectors.
  it.each([
    '$6$saltstring$svn8UoSVapNtMuq1ukKS4tPQd8iKwSMHWjl/O817G3uBnIFNjnQJuesI68u4OTLiBFdcbYEdFCoEOfaS35inz1',
    '$6$rounds=10000$saltstringsaltst$OW1/O6BYHV6BcXZu8QVeXbDWra3Oeqh0sbHbbMCVNSnCM/UrjmM0Dp8vOuZeHBy/YTBmSK6H9qs/y3RnOaw5v.',
    '$6$rounds=5000$toolongsaltstrin$lQ8jolhgVRVhY4b5pZKaysCLi0QBxGoNeKQzQ3glMhwllF7oGDZxUhx1yxdYcz/e1JSbq3y6JMxxl8audkUEm0',
    '$6$rounds=1000$roundstoolow$kUMsbe306n21p9R.FRkW3IGn.S9NPN0x50YhH1xhLsPuWGsUSklZt58jaTfF4ZEQpyUNGc0dqbpBYYBaHHrsX.',
    '$5$saltstring$5B8vYYiY.CVt1RlTTf8KbXBH3hsxY/GNooZaBBGWEc5',
  ])('takes %s', (hash) => {
    expect(checkPasswordHash(hash)).toBeNull();
  });

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
