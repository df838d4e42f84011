// SPDX-License-Identifier: GPL-3.0-or-later
// What the page says of an answer: nothing that was only found reads as if it were proved, and locks that lie unused are named.

import assert from 'node:assert/strict';
import test from 'node:test';
import { sampleDesign } from './samples.mjs';
import { pageModule } from './support.mjs';

const { locksOnBoard, nearestWords } = await pageModule('words.ts');

const kSpace = '\u00a0';
const design = sampleDesign(0);
/** Straight, so that the tip points along the entry's axis. */
const straight = { insertion_mm: 40, locked: [], regions: [{ from_mm: 0, to_mm: design.length_mm, curvature_per_mm: [0, 0] }], tip_mm: [0, 0, 40], clearance_mm: 1 };
const turned = (deg) => [0, Math.sin((deg * Math.PI) / 180), Math.cos((deg * Math.PI) / 180)];

function words(distance_mm, direction, more = {}) {
  const scene = { entry: { R: [1, 0, 0, 0, 1, 0, 0, 0, 1], p: [0, 0, 0] }, target: { point_mm: [0, 0, 40], tolerance_mm: 1.5, direction, direction_tolerance_deg: 25 } };
  const plan = { verdict: 'unreachable', approach: { distance_mm, from: 'the target', blocked_by: 'it is', state: straight }, ...more };
  return nearestWords({ plan, design, samples: [] }, scene);
}

test('the nearest state that was found is said to be that', () => {
  assert.equal(words(30.66, null), `nearest found: 30.7${kSpace}mm off`);
  assert.equal(words(0.01, null), `nearest found: less than 0.1${kSpace}mm off`);
  assert.equal(words(2, null, { approach: { distance_mm: 2, from: 'place 1 of those to pass', state: straight } }), `nearest found: 2.0${kSpace}mm off place 1 of those to pass`);
  assert.equal(words(2, null, { approach: null }), '');
  assert.equal(words(2, null, { verdict: 'reached' }), '');
});

test('where the direction is what is off, it is named', () => {
  assert.equal(words(0.07, turned(34)), `nearest found: 0.1${kSpace}mm off, but the tip points 34° off, 25° allowed`);
  assert.equal(words(0.07, turned(24)), `nearest found: 0.1${kSpace}mm off`);
});

test('what is proved stands beside it, never rounded up', () => {
  const depth = { no_nearer_mm: 6.798 };
  assert.equal(words(8.2, null, { depth }), `nearest found: 8.2${kSpace}mm off; no nearer than 6.79${kSpace}mm (proved)`);
  assert.equal(words(8.2, turned(0), { depth, approach: null }), `pointing as is asked no nearer than 6.79${kSpace}mm (proved)`);
  assert.equal(words(8.2, null, { depth: { no_nearer_mm: null } }), `nearest found: 8.2${kSpace}mm off`);
});

test('locks that a plan leaves unused are named', () => {
  const plan = (locks, locks_used, verdict = 'reached') => ({ locks, verdict, summary: { locks_used } });
  assert.equal(locksOnBoard(plan(1, 0)), '1 lock on board, 0 used');
  assert.equal(locksOnBoard(plan(3, 2)), '3 locks on board, 2 used');
  assert.equal(locksOnBoard(plan(2, 2)), '2 locks');
  assert.equal(locksOnBoard({ locks: 2, verdict: 'unreachable', summary: null }), '2 locks');
});
