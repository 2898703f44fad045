import { recordUse, type Survey } from './survey.ts';

const journalsFolder = '/proc/fs/jbd2';

/**
 * Notes journals of mounted ext4 volumes that lie on a device of their own; no mount option tells of them. A journal
 * inside its volume is listed by device and inode ("sda2-8"), one outside by its device alone (linux: fs/jbd2/journal.c).
 */
export async function recordJournals(survey: Survey): Promise<void> {
  const names = await survey.reader.list(journalsFolder);
  if (!names.ok) {
    // Without ext4 in the kernel, there is no such folder.
    if (names.why === 'ENOENT') return;
    survey.unseen.push({ what: journalsFolder, why: names.why, decides: true });
    return;
  }
  for (const name of names.value.filter((one) => survey.map.byName.has(one))) {
    recordUse(survey, name, { kind: 'holder', what: 'the journal of another file system' });
  }
}
