import { requireImageFits } from '../../src/guard/rules/image-fits.ts';
import { refuseImageHome } from '../../src/guard/rules/image-home.ts';
import { requireWritableMedium } from '../../src/guard/rules/medium-writable.ts';
import { requireSameSectorSize } from '../../src/guard/rules/sector-size.ts';
import { refuseUnseenFacts } from '../../src/guard/rules/unseen-facts.ts';
import { makeDisk, makeGraph, makeImage } from './make-disk.ts';
import type { Case } from './rule-case.ts';
import { card, unseen } from './rule-case.ts';

/** Whether card and image suit each other, and what could not be seen: rules 6 and 11. */
export const fitCases: Case[] = [
  {
    title: 'holds the image',
    rule: refuseImageHome,
    code: 'guard.image-home',
    disk: card,
    context: { image: makeImage({ homeDisks: ['nvme0n1', 'sdb'] }) },
  },
  {
    title: 'may hold the image',
    rule: refuseImageHome,
    code: 'guard.image-home-unknown',
    disk: card,
    context: { image: makeImage({ homeDisks: [], homeTraced: false }) },
  },
  {
    title: 'is empty',
    rule: requireWritableMedium,
    code: 'guard.no-medium',
    disk: makeDisk({ sizeBytes: 0 }),
    context: { image: null },
  },
  {
    title: 'is write-protected',
    rule: requireWritableMedium,
    code: 'guard.read-only',
    disk: makeDisk({ readOnly: true }),
  },
  {
    title: 'is too small by a byte',
    rule: requireImageFits,
    code: 'guard.too-small',
    disk: makeDisk({ sizeBytes: 1_873_805_311 }),
  },
  {
    title: 'is too small for image and seed volume by a byte',
    rule: requireImageFits,
    code: 'guard.too-small-for-seed',
    disk: makeDisk({ sizeBytes: 1_873_805_312 + 36 * 2 ** 20 - 1 }),
    context: { image: makeImage({ seedBytes: 36 * 2 ** 20 }) },
  },
  {
    title: 'is too small for image and a seed volume of one byte',
    rule: requireImageFits,
    code: 'guard.too-small-for-seed',
    disk: makeDisk({ sizeBytes: 1_873_805_312 }),
    context: { image: makeImage({ seedBytes: 1 }) },
  },
  {
    title: 'is to take an image of unknown size',
    rule: requireImageFits,
    code: 'guard.image-size-unknown',
    disk: makeDisk(),
    context: { image: makeImage({ sizeBytes: null }) },
  },
  {
    title: 'has other blocks than the image',
    rule: requireSameSectorSize,
    code: 'guard.sector-size',
    disk: makeDisk({ logicalBlockBytes: 4096 }),
  },
  {
    title: 'was not seen whole',
    rule: refuseUnseenFacts,
    code: 'guard.fact-unseen',
    disk: makeDisk({ unseen: unseen(true) }),
  },
  {
    title: 'was not looked into',
    rule: refuseUnseenFacts,
    code: 'guard.fact-unseen',
    disk: makeDisk({ signatures: null }),
  },
  {
    title: 'has blocks that make no sense',
    rule: refuseUnseenFacts,
    code: 'guard.fact-unseen',
    disk: makeDisk({ logicalBlockBytes: 520 }),
    context: { image: null },
  },
  {
    title: 'has blocks of no size',
    rule: refuseUnseenFacts,
    code: 'guard.fact-unseen',
    disk: makeDisk({ logicalBlockBytes: 0 }),
    context: { image: null },
  },
  {
    title: 'has half a byte',
    rule: refuseUnseenFacts,
    code: 'guard.fact-unseen',
    disk: makeDisk({ sizeBytes: 2_000_000_000.5 }),
  },
  {
    title: 'is not in the list by name',
    rule: refuseUnseenFacts,
    code: 'guard.fact-unseen',
    disk: makeDisk({ majorMinor: '8:32' }),
    context: { graph: makeGraph([makeDisk({ name: 'sdc', majorMinor: '8:32' })]) },
  },
  {
    title: 'is not in the list by number',
    rule: refuseUnseenFacts,
    code: 'guard.fact-unseen',
    disk: makeDisk({ majorMinor: '8:32' }),
    context: { graph: makeGraph([makeDisk()]) },
  },
  {
    title: 'is on a machine not seen whole',
    rule: refuseUnseenFacts,
    code: 'guard.machine-fact-unseen',
    disk: card,
    context: { graph: makeGraph([card], { unseen: unseen(true) }) },
  },
  {
    title: 'is on a machine whose root was not found',
    rule: refuseUnseenFacts,
    code: 'guard.untraced',
    disk: card,
    context: { graph: makeGraph([card], { untraced: ['0:27 (/ as overlay)'] }) },
  },
];
