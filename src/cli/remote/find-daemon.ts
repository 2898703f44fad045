import * as fs from 'node:fs';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { defaultRuntimeFolder, type Right, rights, socketOf } from '../../daemon/contract/rights.ts';
import { callDaemon } from './call-daemon.ts';
import { clientSecret } from './client-secret.ts';
import { createDaemonClient, type DaemonClient } from './daemon-client.ts';

/** Another place for the sockets: for a second daemon on one machine. */
const folderOf = (env: Readonly<Record<string, string | undefined>>) =>
  env.CARDWRIGHT_RUNTIME ?? defaultRuntimeFolder;

function mayConnect(path: string): boolean {
  try {
    fs.accessSync(path, fs.constants.W_OK);
    return true;
  } catch {
    // Not there, or not for us: then the work is done in this process.
    return false;
  }
}

/**
 * The daemon of this machine, on the strongest socket that we may open; null where there is none that answers.
 *
 * @param stateFolder where the person's own secret lies
 */
export async function findDaemon(
  env: Readonly<Record<string, string | undefined>>,
  stateFolder: string,
): Promise<DaemonClient | null> {
  const folder = folderOf(env);
  const right = [...rights].reverse().find((one: Right) => mayConnect(socketOf(one, folder)));
  if (right === undefined) return null;
  const address = { socketPath: socketOf(right, folder), secret: clientSecret(stateFolder) };
  try {
    await callDaemon(address, { method: 'GET', path: '/v1/station' });
  } catch (error) {
    // A socket that nobody listens at was left behind.
    if (error instanceof CardwrightError && /ECONNREFUSED|ENOENT/.test(`${error.facts.why}`)) return null;
    throw error;
  }
  return createDaemonClient(address, right);
}
