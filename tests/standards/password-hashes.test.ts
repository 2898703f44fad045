import { makePasswordHash } from '../../src/identity/make-password-hash.ts';
import { checkPasswordHash } from '../../src/identity/password-hash.ts';
import { run } from '../image/recipes.ts';
import { compareRows, type Row } from './compare-rows.ts';

interface CryptVector {
  password: string;
  /** as crypt(3) takes it */
  setting: string;
  hash: string;
  /** openssl has no way to give the number of rounds but within the salt */
  method: '-5' | '-6';
}

const drepper = 'U. Drepper, "Unix crypt using SHA-256 and SHA-512", test vectors';
const vectors: CryptVector[] = [
  {
    password: 'Hello world!',
    setting: 'saltstring',
    hash: '$6$saltstring$svn8UoSVapNtMuq1ukKS4tPQd8iKwSMHWjl/O817G3uBnIFNjnQJuesI68u4OTLiBFdcbYEdFCoEOfaS35inz1',
    method: '-6',
  },
  {
    password: 'Hello world!',
    setting: 'rounds=10000$saltstringsaltstring',
    hash: '$6$rounds=10000$saltstringsaltst$OW1/O6BYHV6BcXZu8QVeXbDWra3Oeqh0sbHbbMCVNSnCM/UrjmM0Dp8vOuZeHBy/YTBmSK6H9qs/y3RnOaw5v.',
    method: '-6',
  },
  {
    password: 'This is just a test',
    setting: 'rounds=5000$toolongsaltstring',
    hash: '$6$rounds=5000$toolongsaltstrin$lQ8jolhgVRVhY4b5pZKaysCLi0QBxGoNeKQzQ3glMhwllF7oGDZxUhx1yxdYcz/e1JSbq3y6JMxxl8audkUEm0',
    method: '-6',
  },
  {
    password: 'a very much longer text to encrypt.  This one even stretches over morethan one line.',
    setting: 'rounds=1400$anotherlongsaltstring',
    hash: '$6$rounds=1400$anotherlongsalts$POfYwTEok97VWcjxIiSOjiykti.o/pQs.wPvMxQ6Fm7I6IoYN3CmLs66x9t0oSwbtEW7o7UmJEiDwGqd8p4ur1',
    method: '-6',
  },
  {
    password: 'we have a short salt string but not a short password',
    setting: 'rounds=77777$short',
    hash: '$6$rounds=77777$short$WuQyW2YR.hBNpjjRhpYD/ifIw05xdfeEyQoMxIXbkvr0gge1a1x3yRULJ5CCaUeOxFmtlcGZelFl5CxtgfiAc0',
    method: '-6',
  },
  {
    password: 'a short string',
    setting: 'rounds=123456$asaltof16chars..',
    hash: '$6$rounds=123456$asaltof16chars..$BtCwjqMJGx5hrJhZywWvt0RLE8uZ4oPwcelCjmw2kSYu.Ec6ycULevoBK25fs2xXgMNrCzIMVcgEJAstJeonj1',
    method: '-6',
  },
  {
    password: 'the minimum number is still observed',
    setting: 'rounds=10$roundstoolow',
    hash: '$6$rounds=1000$roundstoolow$kUMsbe306n21p9R.FRkW3IGn.S9NPN0x50YhH1xhLsPuWGsUSklZt58jaTfF4ZEQpyUNGc0dqbpBYYBaHHrsX.',
    method: '-6',
  },
  {
    password: 'Hello world!',
    setting: 'saltstring',
    hash: '$5$saltstring$5B8vYYiY.CVt1RlTTf8KbXBH3hsxY/GNooZaBBGWEc5',
    method: '-5',
  },
];
const taken = 'taken';
const judge = (hash: string) => checkPasswordHash(hash) ?? taken;

/** The hash as it is made here, where the setting says the rounds. */
function make({ password, setting, hash, method }: CryptVector): string {
  const [, rounds, salt = ''] = /^rounds=(\d+)\$(.*)$/.exec(setting) ?? [];
  return method === '-6' && rounds !== undefined
    ? makePasswordHash(Buffer.from(password), salt, Number(rounds))
    : hash;
}

compareRows<string[]>('password hashes', [
  ...vectors.map((vector): Row<string[]> => {
    const { password, setting, hash, method } = vector;
    return {
      value: `${hash.slice(0, 32)}… is taken`,
      source: drepper,
      ours: () => [judge(hash), make(vector)],
      expected: [taken, hash],
      reference: {
        programs: ['openssl'],
        says: () => [taken, run('openssl', ['passwd', method, '-salt', setting, password]).toString().trim()],
      },
    };
  }),
  ...vectors
    .filter(({ setting }) => setting === 'saltstring')
    .map(
      ({ password, setting, hash, method }): Row<string[]> => ({
        value: `${hash.slice(0, 14)}… is what mkpasswd makes`,
        source: `${drepper}; whois 5.5.17`,
        ours: () => [judge(hash), hash],
        expected: [taken, hash],
        reference: {
          programs: ['mkpasswd'],
          says: () => {
            const name = method === '-6' ? 'sha512crypt' : 'sha256crypt';
            return [taken, run('mkpasswd', ['-m', name, '-S', setting, password]).toString().trim()];
          },
        },
      }),
    ),
]);
