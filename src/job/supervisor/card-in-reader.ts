import type { CardwrightError } from '../../contract/cardwright-error.ts';
import type { CardIdentity } from '../../contract/devices.ts';
import type { Finding } from '../../contract/finding.ts';
import type { MediumFault } from '../../media/faulty-medium.ts';

/** A claimed card as the supervisor holds it from the approval to the release; a file for a make-believe one. */
export interface CardInReader {
  kind: 'device' | 'file';
  fd: number;
  identity: CardIdentity;
  blockBytes: number;
  /** descriptors of the disk's sysfs files, opened before the worker; null where there is no kernel device */
  diskseqFd: number | null;
  statFd: number | null;
  /** whether the kernel counts sectors for this disk (`queue/iostats`) */
  counts: boolean;
  fault: MediumFault | null;
  /** reads the identity afresh; findings where it is not the approved one any more */
  recheck(): Promise<Finding[]>;
  /**
   * Opens the disk, since only then the kernel looks into the slot; to be asked when nothing will be written any more.
   * `media.gone` or `media.changed` where the approved card is not in it; null where it is, or where nobody can tell.
   */
  lookIntoSlot(): Promise<CardwrightError | null>;
  /** ejects the medium while the claim is held; false where the system cannot */
  eject(): Promise<boolean>;
  /** gives claim and lock back; the moment at which automounters wake up */
  close(): void;
}
