import { makeRehearsalImage } from '../../src/rehearsal/make-image.ts';
import { makeRehearsalPlan } from '../../src/rehearsal/make-plan.ts';
import { loadFat } from '../../src/volume/fat/load-fat.ts';

/** The orchard's image and a plan of four nodes, laid out in a station's folder. */
export async function makeOrchard(folder: string): Promise<{ image: string; plan: string }> {
  await loadFat();
  const image = `${folder}/node-os.img`;
  makeRehearsalImage(image);
  return { image, plan: makeRehearsalPlan(folder, 4, 'node-os.img') };
}
