import { type Finding, finding } from '../contract/finding.ts';
import type { NodeFile } from '../contract/identity.ts';
import { checkVolumePath } from '../volume/volume-path.ts';
import { identityFileName } from './identity-file.ts';
import { keptFolder } from './image-files.ts';

/** FAT takes two spellings of one name for the same file. */
const folded = (path: string) => path.toLowerCase();

/** Extra files of the plan whose name FAT does not allow, that are named twice, or that would replace the node's own. */
export function checkExtraFiles(
  extra: readonly { path: string }[],
  made: { files: readonly NodeFile[]; remove: readonly string[] },
): Finding[] {
  const taken = new Map<string, string>([[folded(identityFileName), 'the card’s identity file']]);
  for (const { path } of made.files) taken.set(folded(path), 'the node’s own settings');
  for (const path of made.remove) taken.set(folded(path), 'settings that are taken away');
  return extra.flatMap(({ path }) => {
    const why = checkVolumePath(path);
    if (why !== null) return [finding('volume.bad-name', 'refuse', { path, why })];
    const isKept = folded(path).split('/')[0] === keptFolder;
    const by = isKept ? 'the image’s own files' : taken.get(folded(path));
    taken.set(folded(path), 'another extra file');
    return by === undefined ? [] : [finding('identity.file-clash', 'refuse', { path, by })];
  });
}
