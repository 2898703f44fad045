import type { ContainerKind } from '../../contract/image.ts';
import { dictionaryLimitBytes } from './container-facts.ts';

export interface DecoderCommand {
  program: string;
  args: readonly string[];
  /** the Debian package it comes from */
  package: string;
}

const mib = 2 ** 20;

/** What the decoder needs beside the dictionary; it also bounds what xz may use with several threads. */
const roomBytes = 32 * mib;

/** Reference decoders, all checks on; each reads packed bytes from its standard input. */
const decoders: Record<Exclude<ContainerKind, 'zip'>, DecoderCommand> = {
  // a raw image only passes through where its bytes have to be seen on their way
  raw: { program: 'cat', args: [], package: 'coreutils' },
  gz: { program: 'gzip', args: ['-dc'], package: 'gzip' },
  xz: {
    program: 'xz',
    args: ['-dc', '--format=xz', '--threads=0', `--memlimit-decompress=${dictionaryLimitBytes + roomBytes}`],
    package: 'xz-utils',
  },
  zst: {
    program: 'zstd',
    args: ['-q', '-dc', '--no-progress', `--memory=${dictionaryLimitBytes / mib}MiB`],
    package: 'zstd',
  },
  bz2: { program: 'bzip2', args: ['-dc'], package: 'bzip2' },
};

/**
 * The program that unpacks a container. A deflated zip member is wrapped as a gzip file on its way in, since both
 * hold the same deflate stream and the same CRC-32 and size; a stored one only passes through.
 */
export function decoderCommand(container: ContainerKind, isStored = false): DecoderCommand {
  if (container === 'zip') return isStored ? decoders.raw : decoders.gz;
  return decoders[container];
}

/**
 * The command line that is really started: it ends when its parent does, gains no rights, and sees no settings from
 * the environment (XZ_OPT, GZIP, ZSTD_CLEVEL would change what it does).
 */
export function wrappedCommand(command: DecoderCommand): { program: string; args: string[] } {
  return {
    program: 'setpriv',
    args: ['--pdeathsig', 'KILL', '--no-new-privs', '--', command.program, ...command.args],
  };
}
