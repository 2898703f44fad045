/** A batch of seven with two readers, as a store would give it; invented. One card fails, one node got none. */
import { finding } from '../../src/contract/finding.ts';
import type { Phase } from '../../src/contract/job.ts';
import type { PhaseCurve } from '../../src/records/record-types.ts';
import { openSample, orchardJob, readerCard, sampleMap } from '../records/sample.ts';

const imageBytes = 1_873_805_312;
const begunMs = Date.UTC(2026, 10, 27, 18, 0);

function curveOf(phase: 'write' | 'verify', mibPerSecond: number, stopAt = 1): PhaseCurve {
  const bytesPerMs = (mibPerSecond * 2 ** 20) / 1000;
  const points = Array.from({ length: 120 }, (_, at) => {
    const share = ((at + 1) / 120) * stopAt;
    // Cards get slower in waves, as their own memory fills.
    const elapsedMs = Math.round(((share + 0.02 * Math.sin(share * 25)) * imageBytes) / bytesPerMs);
    return { elapsedMs, doneBytes: Math.round(share * imageBytes) };
  });
  return { phase, points };
}

/** Fills a new store; the clock of each call is moved by hand. */
export function makeSampleBatch(path: string): void {
  let nowMs = begunMs;
  const records = openSample(path, { now: () => nowMs, isGone: () => false });
  const nodes = Array.from({ length: 7 }, (_, at) => ({ name: `orchard-0${at + 1}`, slot: `A${at + 1}` }));
  const batch = records.beginBatch({
    set: 'orchard',
    planPath: '/home/grower/orchard.yaml',
    toolVersion: '0.1.0',
    nodes,
  });
  nowMs += 21_000;
  records.saveStagedImage(batch, {
    path: '/home/grower/node-os.img.xz',
    sizeBytes: imageBytes,
    elapsedMs: 21_000,
    map: sampleMap(3),
  });
  const free = [nowMs, nowMs + 14_000];
  let lastMs = nowMs;
  for (const [at, { name }] of nodes.slice(0, 6).entries()) {
    const reader = at % 2;
    nowMs = free[reader] ?? nowMs;
    const isFaulty = name === 'orchard-04';
    const card = {
      ...readerCard,
      port: `usb:1-${reader + 1}`,
      serial: `20120501030900${at}`,
      diskseq: 20 + at,
    };
    const id = records.beginJob({ ...orchardJob, batch, node: name, card });
    const speed = reader === 0 ? 38 : 21;
    const curves: PhaseCurve[] = [];
    const spend = (phase: Phase, elapsedMs: number, bytes: number) => {
      records.enterPhase(id, phase);
      nowMs += elapsedMs;
      records.endPhase(id, phase, { elapsedMs, bytes });
    };
    spend('head-off', 900, 1_048_576);
    spend('probe', 1_400, 0);
    const write = curveOf('write', speed, isFaulty ? 0.63 : 1);
    curves.push(write);
    if (isFaulty) {
      records.enterPhase(id, 'write');
      nowMs += write.points.at(-1)?.elapsedMs ?? 0;
      records.saveCurve(id, curves);
      records.addFinding(
        id,
        finding('media.write-failed', 'fail', { offset: 1_180_000_256, length: 1_048_576, errno: 'EIO' }),
      );
      records.markFailed(id, 'media.write-failed', 'unbootable');
    } else {
      spend('write', write.points.at(-1)?.elapsedMs ?? 0, imageBytes);
      spend('personalize', 300, 0);
      const verify = curveOf('verify', speed * 2.2);
      curves.push(verify);
      spend('verify', verify.points.at(-1)?.elapsedMs ?? 0, imageBytes);
      spend('seal', 200, 0);
      records.saveCurve(id, curves);
      records.markSealing(id);
      records.markDone(id, { bytesReadBack: imageBytes, sectorsRead: imageBytes / 512 });
    }
    lastMs = Math.max(lastMs, nowMs);
    free[reader] = nowMs + 25_000;
  }
  nowMs = lastMs + 40_000;
  records.endBatch(batch, 'not-all-done');
  records.close();
}
