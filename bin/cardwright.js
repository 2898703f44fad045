#!/usr/bin/env node
import { main } from '../dist/cardwright.js';

process.exitCode = await main(process.argv.slice(2), {
  stdout: process.stdout,
  stderr: process.stderr,
  env: process.env,
});
