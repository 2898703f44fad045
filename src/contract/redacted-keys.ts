/** Keys whose values are never shown or logged, in any spelling: compared in lower case without "-" and "_". */
export const redactedKeys: ReadonlySet<string> = new Set([
  'password',
  'passwordhash',
  'passwd',
  'hashedpasswd',
  'passphrase',
  'psk',
  'privatekey',
  'hostprivatekey',
  'ed25519private',
  'secret',
  'secrets',
  'token',
]);

export const isRedactedKey = (key: string): boolean =>
  redactedKeys.has(key.toLowerCase().replace(/[-_]/g, ''));

/** Secrets give themselves away by their form too, whatever key they stand under. */
export const secretForms: readonly RegExp[] = [
  /-----BEGIN [A-Z0-9 ]*PRIVATE KEY-----/,
  /(^|[^\w$])\$(?:[1256]|2[abxy]|y|gy|7)\$[./\w$,=]+/,
];

export const notShown = '(not shown)';
