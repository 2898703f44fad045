/** What a caller may do follows from the socket that it could open, the weakest first; each includes those before it. */
export const rights = ['look', 'write', 'administer'] as const;

export type Right = (typeof rights)[number];

/** Where the sockets are, unless somebody says otherwise: one for each right, and the station's own apart from them. */
export const defaultRuntimeFolder = '/run/cardwright';

export const socketOf = (right: Right, folder: string): string => `${folder}/${right}.sock`;

export function includesRight(held: Right, needed: Right): boolean {
  return rights.indexOf(held) >= rights.indexOf(needed);
}
