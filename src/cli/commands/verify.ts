import { basename, resolve } from 'node:path';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import { type ExitStatus, exitStatus } from '../../contract/exit-status.ts';
import { checkImage } from '../../job/station/check-image.ts';
import { type CardCheck, type VerifyRequest, verifyCardAgain } from '../../job/station/verify-card.ts';
import type { Desk } from '../desk.ts';
import { type ChecksumOptions, imageRequest } from '../image-options.ts';
import { openStation } from '../open-station.ts';
import { askThroughDaemon } from '../remote/card-jobs.ts';
import type { DaemonClient } from '../remote/daemon-client.ts';
import { orderImage } from '../remote/job-orders.ts';
import { done, expectRoot } from '../run-command.ts';
import { verifyScreen } from '../screens/verify-screen.ts';
import { findingFields } from '../text/json-lines.ts';
import { toolVersion } from '../version.ts';

export interface VerifyOptions extends ChecksumOptions {
  record?: string;
  image?: string;
}

/** Reads a card that was made earlier, whole, and compares it with its record or with an image. */
export async function verifyCommand(desk: Desk, device: string, options: VerifyOptions): Promise<ExitStatus> {
  const { signal } = desk;
  if (options.record !== undefined && options.image !== undefined) {
    const facts = { option: '--record', other: '--image', reason: 'a card is compared with one of them' };
    throw new CardwrightError('usage.conflicting-options', { facts });
  }
  const recordId = options.record === undefined ? null : recordNumber(options.record);
  const daemon = await desk.daemon();
  if (!daemon) expectRoot();
  const image =
    options.image === undefined
      ? null
      : await checkImage(imageRequest(resolve(options.image), options, null), signal);
  const request = { device, recordId, image };
  const check = daemon ? await verifyThere(desk, daemon, request) : await verifyHere(desk, request);
  const against = check.record ? `record ${check.record.id}` : basename(options.image ?? '');
  showCheck(desk, check, against);
  return check.verdict === 'good' ? done : exitStatus.verificationFailed;
}

async function verifyHere(desk: Desk, request: VerifyRequest): Promise<CardCheck> {
  const station = await openStation(desk, null);
  const records = request.image ? desk.existingRecords() : desk.records();
  const { output, signal } = desk;
  return verifyCardAgain({ station, records, port: output.events, signal, toolVersion }, request);
}

async function verifyThere(
  desk: Desk,
  daemon: DaemonClient,
  { image, ...about }: VerifyRequest,
): Promise<CardCheck> {
  const sent = image && (await orderImage(desk, daemon, image, null));
  return askThroughDaemon(desk, daemon, { kind: 'verify', ...about, image: sent });
}

function showCheck(desk: Desk, check: CardCheck, against: string): void {
  const { disk, record, read, ...told } = check;
  const node = record?.node ?? read.identity?.node ?? null;
  const fields = {
    ...told,
    findings: told.findings.map(findingFields),
    record: record?.id ?? null,
    node,
    against,
  };
  desk.output.show('verify', fields, (sheet) =>
    verifyScreen({ ...told, identity: disk, against, node }, sheet),
  );
}

/** @throws CardwrightError `usage.bad-value` */
export function recordNumber(text: string): number {
  if (/^[1-9]\d{0,9}$/.test(text)) return Number(text);
  throw new CardwrightError('usage.bad-value', {
    facts: { option: 'the record', value: text, expected: 'its number, as cardwright records lists it' },
  });
}
