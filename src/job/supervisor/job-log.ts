import type { CardState } from '../../contract/card-state.ts';
import type { Code } from '../../contract/catalogue/index.ts';
import type { Finding } from '../../contract/finding.ts';
import type { DigestMap, Phase } from '../../contract/job.ts';
import type { DoneFacts, Records, WrittenIdentity } from '../../records/record-types.ts';

/** What one running job writes down. Each call is durable when it returns. */
export interface JobLog {
  readonly recordId: number;
  enterPhase(phase: Phase): void;
  endPhase(phase: Phase, result: { elapsedMs: number; bytes: number }): void;
  addFinding(finding: Finding): void;
  saveIdentityFile(file: WrittenIdentity): void;
  saveDigestMap(map: DigestMap): void;
  markSealing(): void;
  markDone(facts: DoneFacts): void;
  markFailed(code: Code, card: CardState): void;
  markCancelled(card: CardState): void;
}

/** Binds the record store to one record. */
export function logOfJob(records: Records, recordId: number): JobLog {
  return {
    recordId,
    enterPhase: (phase) => records.enterPhase(recordId, phase),
    endPhase: (phase, result) => records.endPhase(recordId, phase, result),
    addFinding: (finding) => records.addFinding(recordId, finding),
    saveIdentityFile: (file) => records.saveIdentityFile(recordId, file),
    saveDigestMap: (map) => records.saveDigestMap(recordId, map),
    markSealing: () => records.markSealing(recordId),
    markDone: (facts) => records.markDone(recordId, facts),
    markFailed: (code, card) => records.markFailed(recordId, code, card),
    markCancelled: (card) => records.markCancelled(recordId, card),
  };
}
