import { readFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import type { Capture } from '../../src/devices/replay/capture.ts';

export const fixturesFolder = join(dirname(fileURLToPath(import.meta.url)), '../../fixtures/machines');

export function loadCapture(name: string): Capture {
  return JSON.parse(readFileSync(join(fixturesFolder, `${name}.json`), 'utf8')) as Capture;
}
