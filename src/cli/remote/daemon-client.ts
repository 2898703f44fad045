import type { Right } from '../../daemon/contract/rights.ts';
import type { Answers } from '../../daemon/contract/station-calls.ts';
import { callDaemon, type DaemonAddress, type DaemonCall } from './call-daemon.ts';

/** The daemon as a command uses it, with the strongest right that its caller has. */
export interface DaemonClient {
  readonly right: Right;
  look(): Promise<Answers['look']>;
  identify(device: string): Promise<Answers['identify']>;
  records(): Promise<Answers['records']>;
  record(id: number): Promise<Answers['record']>;
  checkRecords(): Promise<Answers['checkRecords']>;
  exportRecords(): Promise<Answers['exportRecords']>;
}

export function createDaemonClient(address: DaemonAddress, right: Right): DaemonClient {
  // The answer is the station's own data, which the daemon hands on as it is.
  const ask = <T>(call: DaemonCall) => callDaemon(address, call) as Promise<T>;
  return {
    right,
    look: () => ask({ method: 'GET', path: '/v1/devices' }),
    identify: (device) => ask({ method: 'POST', path: '/v1/identify', body: { device } }),
    records: () => ask({ method: 'GET', path: '/v1/records' }),
    record: (id) => ask({ method: 'GET', path: `/v1/records/${id}` }),
    checkRecords: () => ask({ method: 'GET', path: '/v1/records-check' }),
    exportRecords: () => ask({ method: 'GET', path: '/v1/records-export' }),
  };
}
