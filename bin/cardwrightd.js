#!/usr/bin/env node
import { main } from '../dist/cardwrightd.js';

try {
  process.exitCode = await main(process.argv.slice(2));
} catch (error) {
  process.stderr.write(`${error instanceof Error ? error.message : String(error)}\n`);
  process.exitCode = error.exitStatus ?? 1;
}
