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

compareRows<string[]>('password hashes', [
  ...vectors.map(
    ({ password, setting, hash, method }): Row<string[]> => ({
      value: `${hash.slice(0, 32)}… is taken`,
      source: drepper,
      ours: () => [judge(hash), hash],
      expected: [taken, hash],
      reference: {
        programs: ['openssl'],
        says: () => [taken, run('openssl', ['passwd', method, '-salt', setting, password]).toString().trim()],
      },
    }),
  ),
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
