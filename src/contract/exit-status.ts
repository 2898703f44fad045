/** Exit status of every command. A script treats any it does not know as failure. */
export const exitStatus = {
  done: 0,
  unexpected: 1,
  usage: 2,
  refused: 3,
  imageRejected: 4,
  writeFailed: 5,
  verificationFailed: 6,
  cardLost: 7,
  personalizationFailed: 8,
  approvalMissing: 9,
  nothingToDo: 10,
  recordsUnusable: 11,
  notAllDone: 12,
  cancelled: 130,
} as const;

export type ExitName = keyof typeof exitStatus;
export type ExitStatus = (typeof exitStatus)[ExitName];
