import * as fs from 'node:fs';
import { homedir } from 'node:os';
import { dirname, join } from 'node:path';
import type { Logger } from 'pino';
import { CardwrightError } from '../contract/cardwright-error.ts';
import type { Policy } from '../contract/policy.ts';
import type { SystemReader } from '../contract/system-reader.ts';
import { createLiveReader } from '../devices/linux/live-reader.ts';
import { loadStationKey } from '../guard/approval/station-key.ts';
import { loadPolicy } from '../guard/policy/load-policy.ts';
import { openRecords } from '../records/open-records.ts';
import type { Records } from '../records/record-types.ts';
import { openLog } from './log.ts';
import type { Output } from './output.ts';
import type { DaemonClient } from './remote/daemon-client.ts';
import { findDaemon } from './remote/find-daemon.ts';
import { findingLines } from './screens/finding-lines.ts';

export interface DeskOptions {
  policy?: string;
  records?: string;
  /** work in this process, even where a daemon is there */
  direct?: boolean;
}

/** What the commands of one run share, opened when first asked for and closed at the end. */
export interface Desk {
  readonly output: Output;
  readonly reader: SystemReader;
  /** aborted by the first Ctrl-C */
  readonly signal: AbortSignal;
  /** the daemon that does the work for us; null where this process does it itself */
  daemon(): Promise<DaemonClient | null>;
  policy(): Promise<Policy>;
  /** where the records are, or would be */
  readonly recordsPath: string;
  records(): Records;
  /** the records if there is a store already: looking something up does not make one */
  existingRecords(): Records | null;
  /** what was asked and how it ended, beside the records; silent for commands that only look */
  log(): Logger;
  /** the key of the approval codes, beside the records */
  key(): Promise<Uint8Array>;
  close(): void;
}

export function openDesk(output: Output, options: DeskOptions, signal: AbortSignal): Desk {
  const path = options.records ?? defaultRecordsPath();
  let store: Records | null = null;
  let log: Logger | null = null;
  let daemon: Promise<DaemonClient | null> | null = null;
  const records = (): Records => {
    store ??= openRecords(path, { now: Date.now });
    return store;
  };
  return {
    output,
    reader: createLiveReader(),
    signal,
    daemon() {
      daemon ??= findOurDaemon(options);
      return daemon;
    },
    async policy() {
      const { policy, findings } = await loadPolicy(options.policy ?? null);
      output.say(findingLines(output.sheet, findings));
      return policy;
    },
    recordsPath: path,
    records,
    existingRecords: () => (fs.existsSync(path) ? records() : null),
    log() {
      log ??= openLog(store === null ? null : path);
      return log;
    },
    key: () => loadStationKey(dirname(path)),
    close: () => store?.close(),
  };
}

/** @throws CardwrightError `usage.conflicting-options`: the daemon has a policy and records of its own */
async function findOurDaemon(options: DeskOptions): Promise<DaemonClient | null> {
  if (options.direct === true) return null;
  const found = await findDaemon(process.env, dirname(defaultRecordsPath()));
  const own = options.policy !== undefined ? '--policy' : options.records !== undefined ? '--records' : null;
  if (found && own) {
    const reason = 'the daemon of this station has its own';
    throw new CardwrightError('usage.conflicting-options', {
      facts: { option: own, other: 'the daemon', reason },
    });
  }
  return found;
}

/** The station's own store for root; a person's own otherwise (XDG Base Directory Specification, XDG_STATE_HOME). */
export function defaultRecordsPath(): string {
  if (process.getuid?.() === 0) return '/var/lib/cardwright/records.db';
  const state = process.env.XDG_STATE_HOME ?? join(homedir(), '.local', 'state');
  return join(state, 'cardwright', 'records.db');
}
