// SPDX-License-Identifier: GPL-3.0-or-later
// The page's centreline against a numerical integration of the frame equation, and against the program's own tips.

import assert from 'node:assert/strict';
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import test from 'node:test';
import { centreline } from './plain_model.mjs';
import { sampleDesign, writeSamples } from './samples.mjs';
import { pageKinematics, pageModule } from './support.mjs';

const { Shape, interpolate, bend } = await pageKinematics();

// The midpoint rule at 0.01 mm is off by some 1e-8 of the length; this leaves room.
const kTolerance_mm = 1e-4;

/** A small seeded generator (P. L'Ecuyer's table of multipliers, Math. Comp. 68, 1999: 2^31 - 1, multiplier 1583458089). */
function random(seed) {
  let x = BigInt(seed);
  return () => {
    x = (x * 1583458089n) % 2147483647n;
    return Number(x) / 2147483647;
  };
}

function assertNear(actual, expected, tolerance, what) {
  actual.forEach((value, i) => assert.ok(Math.abs(value - expected[i]) <= tolerance, `${what}: ${actual} is not ${expected}`));
}

const bodyState = (state) => ({
  insertion_mm: state.insertion_mm,
  locked: state.locked,
  regions: state.regions.map((r) => ({ from_mm: r.from_mm, to_mm: r.to_mm, u: r.curvature_per_mm })),
});

test('any body lies where the integrated frame equation says, rigid spans and guide included', () => {
  const seed = 11;
  const next = random(seed);
  for (let k = 0; k < 40; ++k) {
    const locks = k % 3;
    const design = { ...sampleDesign(locks), guide: k % 2 === 0 };
    const bounds = [0, ...design.station_mm, design.length_mm];
    // Every fourth body is all but straight, where the closed arc is a quotient of vanishing numbers.
    const size = k % 4 === 3 ? 1e-9 : 0.04;
    const regions = bounds.slice(1).map((to_mm, i) => ({ from_mm: bounds[i], to_mm, u: [size * (2 * next() - 1), size * (2 * next() - 1)] }));
    const state = { insertion_mm: 120 * next(), locked: design.station_mm.map(() => true), regions };
    const stations = [5, 31.5, 45, 60, 88, 90];
    const shape = new Shape(design, state);
    centreline(design, state, stations).forEach((p, i) => assertNear(shape.pose(stations[i]).p, p, kTolerance_mm, `seed ${seed}, body ${k}, station ${stations[i]}`));
  }
});

test('a quarter circle ends at its radius across and along', () => {
  // Closed form: curvature 1/R over R pi/2 leads to (R, 0, R).
  const design = { length_mm: 30 * Math.PI, radius_mm: 1, guide: false, rigid: [], station_mm: [], clock_rad: [] };
  const state = { insertion_mm: design.length_mm, locked: [], regions: [{ from_mm: 0, to_mm: design.length_mm, u: [1 / 60, 0] }] };
  assertNear(new Shape(design, state).tip().p, [60, 0, 60], 1e-9, 'tip');
});

test('the shaft behind the base stays on the axis', () => {
  const design = sampleDesign(0);
  const state = { insertion_mm: 110, locked: [], regions: [{ from_mm: 0, to_mm: 90, u: [0.01, 0.02] }] };
  assertNear(new Shape(design, state).pose(-12).p, [0, 0, 8], 1e-12, 'shaft');
});

test('the sample plans hold the tips that the page computes', () => {
  const folder = mkdtempSync(join(tmpdir(), 'withy-page-'));
  try {
    writeSamples(folder);
    for (const name of ['reached', 'two']) {
      const plan = JSON.parse(readFileSync(join(folder, `${name}.json`), 'utf8'));
      const design = sampleDesign(plan.locks);
      for (const state of plan.states) assertNear(new Shape(design, bodyState(state)).tip().p, state.tip_mm, kTolerance_mm, name);
    }
  } finally {
    rmSync(folder, { recursive: true });
  }
});

test('between two states a frozen part behind a guide keeps its bend, and the free curvature goes evenly', () => {
  const design = sampleDesign(1);
  const at = (insertion_mm, theta, free) => {
    const frozen = { from_mm: 0, to_mm: 45, u: [0, 0] };
    const f = bend(design, { ...frozen, u: [1, 0] }, insertion_mm)[0];
    return { insertion_mm, locked: [true], regions: [{ ...frozen, u: [theta / f, 0] }, { from_mm: 45, to_mm: 90, u: free }] };
  };
  const from = at(60, 0.3, [0.01, 0]);
  const to = at(84, 0.3, [-0.02, 0.01]);
  for (const t of [0.1, 0.5, 0.9]) {
    const state = interpolate(design, from, to, t);
    assert.ok(Math.abs(bend(design, state.regions[0], state.insertion_mm)[0] - 0.3) < 1e-12);
    assertNear(state.regions[1].u, [0.01 - 0.03 * t, 0.01 * t], 1e-15, 'free curvature');
    assert.ok(Math.abs(state.insertion_mm - (60 + 24 * t)) < 1e-12);
  }
});

test('a hunt moves the free region along its sweep, the lock open until the sweep is over', async () => {
  const { Track } = await pageModule('playback.ts');
  const region = (from_mm, to_mm, x) => ({ from_mm, to_mm, curvature_per_mm: [x, 0] });
  const before = { insertion_mm: 50, locked: [false], regions: [region(0, 100, 0.01)], tip_mm: [0, 0, 0], clearance_mm: 1 };
  const after = { ...before, locked: [true], regions: [region(0, 40, 0.01), region(40, 100, 0.01)] };
  const entry = {
    plan: { verdict: 'reached', states: [before, after], actions: [{ kind: 'lock', leg: 'in', from: 0, to: 1, lock: 1, clearance_mm: 1 }] },
    design: { length_mm: 100, radius_mm: 1, guide: false, rigid: [], station_mm: [40], clock_rad: [0] },
    samples: [{ t: [0, 0.2, 0.4, 0.6, 0.9, 1], swept_u: [[0.01, 0], [0.01, 0], [0.02, 0.01], [0.01, 0], [0.01, 0], [0.01, 0]], seconds: 10,
      clearance_mm: [1, 1, 1, 1, 1, 1], station_mm: [1, 1, 1, 1, 1, 1], wall_mm: [] }],
  };
  const track = new Track(entry);
  const at = (time) => track.at(time).body;
  const near = (a, b) => a.forEach((x, i) => assert.ok(Math.abs(x - b[i]) < 1e-12, `${a} is not ${b}`));
  near(at(1).regions[0].u, [0.01, 0]);
  near(at(3).regions[0].u, [0.015, 0.005]);
  near(at(4).regions[0].u, [0.02, 0.01]);
  near(at(7).regions[0].u, [0.01, 0]);
  assert.deepEqual(at(7).locked, [false]);
  assert.deepEqual(at(9.5).locked, [true]);
  assert.equal(at(9.5).regions.length, 2);
});
