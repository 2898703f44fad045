import * as fs from 'node:fs';
import { CardwrightError } from '../../contract/cardwright-error.ts';
import type { CardIdentity, Disk } from '../../contract/devices.ts';
import { type Finding, finding } from '../../contract/finding.ts';
import type { SystemReader } from '../../contract/system-reader.ts';
import { compareIdentity, readIdentity } from '../../devices/read-identity.ts';
import { describePort } from '../../devices/resolve-device.ts';
import type { GuardImage } from '../../guard/context.ts';
import { allocateAligned } from '../../media/aligned-memory.ts';
import { type Claim, claimDisk } from '../../media/claim.ts';
import { createDescriptorMedium } from '../../media/descriptor-medium.ts';
import type { CardInReader } from '../supervisor/card-in-reader.ts';
import { ejectCard } from './release-card.ts';
import { codeOfDisk, type Station, surveyDisks } from './survey-disks.ts';

export interface ApprovedCard {
  disk: Disk;
  /** the code that was typed for it */
  code: string;
  image: GuardImage | null;
}

/**
 * Claims an approved card and believes nothing that was seen before: identity, guard and approval code are all
 * worked out again on fresh facts while the claim is held. On any difference the claim is given back.
 *
 * @throws CardwrightError `media.*`, `job.identity-changed`, `job.disk-refused`, `guard.approval-wrong`
 */
export async function claimCard(station: Station, approved: ApprovedCard): Promise<CardInReader> {
  const { disk } = approved;
  const claim = await claimDisk(disk.node, disk.majorMinor, 'write');
  try {
    await expectIdentity(station.reader, disk);
    await expectAllowed(station, approved);
    await expectCode(station, approved, claim.fd);
    return holdCard(station.reader, disk, claim);
  } catch (error) {
    claim.release();
    throw error;
  }
}

/**
 * Claims a card for reading alone: nothing else may write to it meanwhile. Nobody has to approve that.
 *
 * @throws CardwrightError `media.*`, `job.identity-changed`
 */
export async function claimForReading(reader: SystemReader, disk: Disk): Promise<CardInReader> {
  const claim = await claimDisk(disk.node, disk.majorMinor, 'read');
  try {
    await expectIdentity(reader, disk);
    return holdCard(reader, disk, claim);
  } catch (error) {
    claim.release();
    throw error;
  }
}

export function holdCard(reader: SystemReader, disk: Disk, claim: Claim): CardInReader {
  const diskseqFd = openSysfs(disk, 'diskseq');
  const statFd = openSysfs(disk, 'stat');
  return {
    kind: 'device',
    fd: claim.fd,
    identity: identityOf(disk),
    blockBytes: disk.logicalBlockBytes,
    diskseqFd,
    statFd,
    counts: countsSectors(disk),
    fault: null,
    recheck: () => recheckIdentity(reader, disk),
    lookIntoSlot: () => lookIntoSlot(reader, disk),
    eject: () => ejectCard(disk),
    close: () => {
      for (const fd of [diskseqFd, statFd]) if (fd !== null) fs.closeSync(fd);
      claim.release();
    },
  };
}

export function identityOf(disk: CardIdentity): CardIdentity {
  const { node, majorMinor, port, lun, vendor, model, serial, cid, sizeBytes, diskseq } = disk;
  return { node, majorMinor, port, lun, vendor, model, serial, cid, sizeBytes, diskseq };
}

export async function recheckIdentity(reader: SystemReader, disk: CardIdentity): Promise<Finding[]> {
  const now = await readIdentity(reader, disk.majorMinor);
  if (!now.ok) return [finding('media.gone', 'fail', { errno: now.why, offset: 0 })];
  const differences = compareIdentity(identityOf(disk), now.value);
  if (differences.length === 0) return [];
  return [
    finding('job.identity-changed', 'fail', {
      reader: describePort(disk),
      difference: differences.join(', '),
    }),
  ];
}

/** What a transfer that failed alone does not tell: a changed card, like a pulled one, is an I/O error first of all. */
async function lookIntoSlot(reader: SystemReader, disk: CardIdentity): Promise<CardwrightError | null> {
  const first = await reader.readBytes(disk.node, 0, 512);
  const now = await readIdentity(reader, disk.majorMinor);
  if (!now.ok) return new CardwrightError('media.gone', { facts: { errno: now.why } });
  const { diskseq: expected } = disk;
  const { diskseq: found, sizeBytes } = now.value;
  if (expected === found) return null;
  // The kernel counts a medium that was taken out as well, and gives an empty slot no size.
  const isEmpty = sizeBytes === 0 || (!first.ok && first.why === 'ENOMEDIUM');
  return isEmpty
    ? new CardwrightError('media.gone', { facts: { errno: 'ENOMEDIUM' } })
    : new CardwrightError('media.changed', { facts: { expected, found } });
}

async function expectIdentity(reader: SystemReader, disk: Disk): Promise<void> {
  const [changed] = await recheckIdentity(reader, disk);
  if (changed) throw new CardwrightError(changed.code, { card: 'untouched', facts: changed.facts });
}

/** Programs like blkid open a disk for a moment when somebody lets go of it; they get this long to go. */
const briefReadersMs = 3000;

async function expectAllowed(station: Station, approved: ApprovedCard): Promise<void> {
  const deadline = Date.now() + briefReadersMs;
  for (;;) {
    const { disks } = await surveyDisks(station, approved.image);
    const now = disks.find(({ disk }) => disk.majorMinor === approved.disk.majorMinor);
    const stillMounted = now?.disk.uses.some((use) => use.kind === 'mount') ?? true;
    if (now && now.result.verdict !== 'refused' && !stillMounted) return;
    const findings = now?.result.findings ?? [];
    const refusals = findings.filter((found) => found.severity === 'refuse');
    const onlyReaders = refusals.length > 0 && refusals.every((found) => found.code === 'guard.held-open');
    if (!onlyReaders || Date.now() > deadline) throw refusal(approved.disk, findings);
    await new Promise((resolve) => setTimeout(resolve, 200));
  }
}

/** The error for a disk that the guard refuses: every reason goes with it. */
export function refusal(disk: Disk, findings: readonly Finding[]): CardwrightError {
  return new CardwrightError('job.disk-refused', {
    card: 'untouched',
    facts: { node: disk.node, reader: describePort(disk) },
    findings: findings.filter((found) => found.severity === 'refuse' || found.severity === 'fail'),
  });
}

/** The code is made again from what the claimed descriptor reads: nobody opens the disk a second time for it. */
async function expectCode(station: Station, { disk, code }: ApprovedCard, fd: number): Promise<void> {
  const { sizeBytes, logicalBlockBytes: blockBytes } = disk;
  const medium = createDescriptorMedium(fd, { kind: 'device', sizeBytes, blockBytes });
  const fresh = await codeOfDisk(station.key, disk, {
    async readBytes(_node, offset, length) {
      const value = allocateAligned(length);
      await medium.read(value, offset);
      return { ok: true, value };
    },
  });
  if (fresh !== code)
    throw new CardwrightError('guard.approval-wrong', { card: 'untouched', facts: { typed: code } });
}

function openSysfs(disk: Disk, name: string): number | null {
  try {
    return fs.openSync(`/sys/dev/block/${disk.majorMinor}/${name}`, 'r');
  } catch {
    // An older kernel has no such file: the watch and the count then do without it, and the record says so.
    return null;
  }
}

function countsSectors(disk: Disk): boolean {
  return fs.readFileSync(`/sys/dev/block/${disk.majorMinor}/queue/iostats`, 'latin1').trim() !== '0';
}
