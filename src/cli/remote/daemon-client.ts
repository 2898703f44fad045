import type { JobLine } from '../../daemon/contract/job-lines.ts';
import type { JobOrder } from '../../daemon/contract/job-orders.ts';
import type { Right } from '../../daemon/contract/rights.ts';
import type { Answers } from '../../daemon/contract/station-calls.ts';
import type { UploadState } from '../../daemon/contract/upload-place.ts';
import { callDaemon, type DaemonAddress, type DaemonCall } from './call-daemon.ts';
import { followJob } from './follow-job.ts';

/** The daemon as a command uses it, with the strongest right that its caller has. */
export interface DaemonClient {
  readonly right: Right;
  look(): Promise<Answers['look']>;
  identify(device: string): Promise<Answers['identify']>;
  records(): Promise<Answers['records']>;
  record(id: number): Promise<Answers['record']>;
  checkRecords(): Promise<Answers['checkRecords']>;
  exportRecords(): Promise<Answers['exportRecords']>;
  jobs(): Promise<Answers['jobs']>;
  startJob(order: JobOrder): Promise<Answers['startJob']>;
  /** its lines from `from` on, until it is over */
  followJob(job: number, from?: number): AsyncGenerator<JobLine>;
  answerJob(job: number, question: number, typed: string | null): Promise<Answers['answerJob']>;
  cancelJob(job: number): Promise<Answers['cancelJob']>;
  beginUpload(wanted: Pick<UploadState, 'sha256' | 'sizeBytes'>): Promise<UploadState>;
  sendPiece(sha256: string, offset: number, bytes: Uint8Array): Promise<UploadState>;
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
    jobs: () => ask({ method: 'GET', path: '/v1/jobs' }),
    startJob: (order) => ask({ method: 'POST', path: '/v1/jobs', body: order }),
    followJob: (job, from) => followJob(address, job, from),
    answerJob: (job, question, typed) =>
      ask({ method: 'POST', path: `/v1/jobs/${job}/answer`, body: { question, typed } }),
    cancelJob: (job) => ask({ method: 'POST', path: `/v1/jobs/${job}/cancel` }),
    beginUpload: (body) => ask({ method: 'POST', path: '/v1/uploads', body }),
    sendPiece: (sha256, offset, bytes) =>
      ask({ method: 'PATCH', path: `/v1/uploads/${sha256}?offset=${offset}`, bytes }),
  };
}
