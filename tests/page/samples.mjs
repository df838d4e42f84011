// SPDX-License-Identifier: GPL-3.0-or-later
// Sample scenes and plans for the page's tests, made without the planner: node samples.mjs FOLDER.
//
// The channel is a solid of revolution (a neck that opens into a chamber), so the distance to its wall is that of a
// point to the profile in the half-plane (rho, z): closed form, to set the plans' clearances by.

import { createHash } from 'node:crypto';
import { mkdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { centreline } from './plain_model.mjs';

const kProfile = [
  [7, 0], [7, 14], [9, 20], [16, 26], [26, 34], [30, 44], [31, 58], [31, 84], [29, 98], [23, 109], [12, 116], [0, 118],
];
const kRequired_mm = 0.2;
const kLength_mm = 90;
const kRadius_mm = 1.5;
const kFacets = 64;

/** The profile turned about z, open at z = 0. */
function chamberMesh() {
  const vertices = [];
  const triangles = [];
  const rings = refine(kProfile.slice(0, -1).concat([[2, 117.7]]), 3);
  for (const [rho, z] of rings)
    for (let k = 0; k < kFacets; ++k) {
      const a = (2 * Math.PI * k) / kFacets;
      vertices.push([rho * Math.cos(a), rho * Math.sin(a), z]);
    }
  for (let i = 0; i + 1 < rings.length; ++i)
    for (let k = 0; k < kFacets; ++k) {
      const a = i * kFacets + k;
      const b = i * kFacets + ((k + 1) % kFacets);
      triangles.push([a, b, a + kFacets], [b, b + kFacets, a + kFacets]);
    }
  const pole = vertices.push([0, 0, 118]) - 1;
  const last = (rings.length - 1) * kFacets;
  for (let k = 0; k < kFacets; ++k) triangles.push([last + k, last + ((k + 1) % kFacets), pole]);
  return { vertices, triangles };
}

function refine(points, step) {
  const out = [points[0]];
  for (let i = 1; i < points.length; ++i) {
    const [a, b] = [points[i - 1], points[i]];
    const n = Math.ceil(Math.hypot(b[0] - a[0], b[1] - a[1]) / step);
    for (let k = 1; k <= n; ++k) out.push([a[0] + ((b[0] - a[0]) * k) / n, a[1] + ((b[1] - a[1]) * k) / n]);
  }
  return out;
}

/** Distance from a point in the chamber to its wall. */
export function wallDistance([x, y, z]) {
  const q = [Math.hypot(x, y), z];
  let least = Infinity;
  for (let i = 1; i < kProfile.length; ++i) {
    const [a, b] = [kProfile[i - 1], kProfile[i]];
    const d = [b[0] - a[0], b[1] - a[1]];
    const t = Math.min(1, Math.max(0, ((q[0] - a[0]) * d[0] + (q[1] - a[1]) * d[1]) / (d[0] ** 2 + d[1] ** 2)));
    least = Math.min(least, Math.hypot(q[0] - a[0] - t * d[0], q[1] - a[1] - t * d[1]));
  }
  return least;
}

const off = ({ vertices, triangles }) =>
  `OFF\n${vertices.length} ${triangles.length} 0\n${vertices.map((v) => v.join(' ')).join('\n')}\n${triangles.map((t) => `3 ${t.join(' ')}`).join('\n')}\n`;

const kLock = { body_length_mm: 4, body_radius_mm: 1.9 };
const kTendons = { radius_mm: 1.2, angles_deg: [0, 90, 180, 270], stroke_max_mm: 6, tension_min_N: 0.2, tension_max_N: 25, mu: 0.0 };
const kRigidity = 900;
const kCurvatureMax = 0.04;
const kTip_mm = 3;
const kCoil_mT_per_A = 1.8;
const kField_mT = 6;

function sceneText(target) {
  return `title = "Chamber behind a neck (sample)"
[channel]
mesh = "chamber.off"
unit = "mm"
outlets = "closed"
[entry]
point_mm = [0.0, 0.0, 0.0]
axis = [0.0, 0.0, 1.0]
x_axis = [1.0, 0.0, 0.0]
opening_radius_mm = 7.5
[target]
point_mm = [${target.map((c) => c.toFixed(6)).join(', ')}]
tolerance_mm = 1.5
[clearance]
required_mm = ${kRequired_mm}
[segment]
length_mm = ${kLength_mm.toFixed(1)}
radius_mm = ${kRadius_mm.toFixed(1)}
tip_rigid_mm = ${kTip_mm.toFixed(1)}
curvature_max_per_mm = ${kCurvatureMax}
flexural_rigidity_Nmm2 = ${kRigidity.toFixed(1)}
[lock]
body_length_mm = ${kLock.body_length_mm.toFixed(1)}
body_radius_mm = ${kLock.body_radius_mm}
magnet_Am2 = 0.004
angle_free_deg = 0.0
angle_latched_deg = 90.0
switch_torque_Nmm = 0.001
hold_torque_Nmm = 10.0
hold_moment_Nmm = 60.0
[layout]
use = 1
[layout.1]
station_mm = [45.0]
clock_deg = [0.0]
[layout.2]
station_mm = [30.0, 60.0]
clock_deg = [0.0, 90.0]
[tendons]
radius_mm = ${kTendons.radius_mm}
angles_deg = [${kTendons.angles_deg.map((a) => a.toFixed(1)).join(', ')}]
disk_spacing_mm = 0.0
stroke_max_mm = ${kTendons.stroke_max_mm.toFixed(1)}
tension_min_N = ${kTendons.tension_min_N}
tension_max_N = ${kTendons.tension_max_N.toFixed(1)}
friction_coefficient = ${kTendons.mu.toFixed(1)}
motors = "ride"
[carriage]
kind = "guide"
insertion_max_mm = 120.0
[field]
strength_max_mT = 10.0
coil_mT_per_A = [${kCoil_mT_per_A}, ${kCoil_mT_per_A}, ${kCoil_mT_per_A}]
coil_axes = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
[actuation]
advance = "Z"
tendons = ["A", "B", "C", "U"]
rates = { advance_mm_per_s = 2.0, tendon_mm_per_s = 0.5, field_settle_s = 2.0 }
`;
}

const stations = { 0: [], 1: [45], 2: [30, 60] };

export function sampleDesign(locks) {
  const rigid = stations[locks].map((s) => ({ from_mm: s - 2, to_mm: s + 2, radius_mm: kLock.body_radius_mm }));
  rigid.push({ from_mm: kLength_mm - kTip_mm, to_mm: kLength_mm, radius_mm: kRadius_mm });
  return { length_mm: kLength_mm, radius_mm: kRadius_mm, guide: true, rigid, station_mm: stations[locks], clock_rad: stations[locks].map((_, i) => (i * Math.PI) / 2) };
}

function flexible(design, insertion, from, to) {
  const start = design.guide ? Math.max(from, design.length_mm - insertion) : from;
  let f = Math.max(0, to - start);
  for (const r of design.rigid) f -= Math.max(0, Math.min(to, r.to_mm) - Math.max(start, r.from_mm));
  return Math.max(0, f);
}

/** What each lock carries without friction: the moment between the frozen region that ends at it and the free one. */
function lockMoments(locked, u) {
  const free = u[u.length - 1];
  let region = 0;
  return locked.map((on) => {
    if (!on) return 0;
    const frozen = u[region++];
    return kRigidity * Math.hypot(frozen[0] - free[0], frozen[1] - free[1]);
  });
}

/** A state as the plan file has it. */
function describe(design, { insertion_mm, locked, frozen, u: free }) {
  const bounds = [0, ...design.station_mm.filter((_, i) => locked[i]), design.length_mm];
  const u = frozen.map((theta, i) => theta.map((c) => c / flexible(design, insertion_mm, bounds[i], bounds[i + 1]))).concat([free]);
  const regions = u.map((c, i) => ({ from_mm: bounds[i], to_mm: bounds[i + 1], curvature_per_mm: c }));
  const body = { insertion_mm, regions: regions.map((r) => ({ ...r, u: r.curvature_per_mm })) };
  const along = Array.from({ length: 181 }, (_, i) => (design.length_mm * i) / 180);
  const points = centreline(design, body, along);
  const theta = regions.map((r) => r.curvature_per_mm.map((c) => c * flexible(design, insertion_mm, r.from_mm, r.to_mm)));
  const inside = along.map((s, i) => ({ s, p: points[i] })).filter(({ p }) => p[2] > 0);
  const radius = (s) => design.rigid.find((r) => s >= r.from_mm && s <= r.to_mm)?.radius_mm ?? design.radius_mm;
  const clear = inside.map(({ s, p }) => wallDistance(p) - radius(s));
  const sum = theta.reduce((a, t) => [a[0] + t[0], a[1] + t[1]], [0, 0]);
  const wrap = Math.exp(kTendons.mu * theta.reduce((a, t) => a + Math.hypot(...t), 0));
  const moment = u[u.length - 1].map((c) => kRigidity * c);
  const along_k = kTendons.angles_deg.map((deg) => [Math.cos((deg * Math.PI) / 180), Math.sin((deg * Math.PI) / 180)]);
  return {
    insertion_mm, locked, regions,
    pull_mm: along_k.map((e) => kTendons.radius_mm * (e[0] * sum[0] + e[1] * sum[1])),
    // Four tendons at right angles: each carries its own share of the moment.
    tension_N: along_k.map((e) => wrap * (kTendons.tension_min_N + Math.max(0, (e[0] * moment[0] + e[1] * moment[1]) / kTendons.radius_mm))),
    tip_mm: points[points.length - 1],
    clearance_mm: clear.length > 0 ? Math.min(...clear) : null,
    lock_moment_Nmm: lockMoments(locked, u),
  };
}

/** Moves of the way in: advance, bend and steer name where they end, lock its number. */
const kWaysIn = {
  1: [['advance', { d: 60 }], ['bend', { u: [0.013, 0.004] }], ['lock', 1], ['steer', { d: 78, u: [-0.016, 0.012] }], ['bend', { u: [-0.022, 0.016] }], ['advance', { d: 88 }]],
  2: [
    ['advance', { d: 66 }], ['bend', { u: [0.012, 0.004] }], ['lock', 1], ['steer', { d: 80, u: [-0.0038, 0.0165] }],
    ['lock', 2], ['bend', { u: [-0.0178, -0.0093] }], ['advance', { d: 84.8 }],
  ],
};

/** The states that a way in passes through, in their own order: [kind, state, lock]. */
function wayIn(design, locks) {
  let at = { insertion_mm: 0, locked: stations[locks].map(() => false), frozen: [], u: [0, 0] };
  return [[null, at]].concat(
    kWaysIn[locks].map(([kind, to]) => {
      if (kind === 'lock') {
        const station = stations[locks][to - 1];
        const from = Math.max(0, ...stations[locks].filter((s, i) => at.locked[i] && s < station));
        const f = flexible(design, at.insertion_mm, from, station);
        at = { ...at, locked: at.locked.map((on, i) => on || i === to - 1), frozen: [...at.frozen, at.u.map((c) => c * f)] };
        return [kind, at, to];
      }
      at = { ...at, insertion_mm: to.d ?? at.insertion_mm, u: to.u ?? at.u };
      return [kind, at];
    }),
  );
}

const kReverse = { advance: 'advance', bend: 'bend', steer: 'steer', lock: 'unlock', unlock: 'lock' };

/** A field across the middle of the lock's stroke, ample for the little torque that these locks take. */
function switchingField(kind, clock) {
  const sign = kind === 'lock' ? 1 : -1;
  const at = clock + (3 * Math.PI) / 4;
  return [sign * kField_mT * Math.cos(at), sign * kField_mT * Math.sin(at), 0];
}

function planBody(locks) {
  const design = sampleDesign(locks);
  const [[, start], ...moves] = wayIn(design, locks);
  const states = [describe(design, start)];
  const actions = [];
  const push = (kind, leg, state, lock) => {
    const from = states.length - 1;
    const a = states[from];
    const b = describe(design, state);
    states.push(b);
    const known = [a.clearance_mm, b.clearance_mm].filter((c) => c !== null);
    const action = { kind, leg, from, to: from + 1, clearance_mm: known.length > 0 ? Math.min(...known) - 0.02 : null };
    if (lock !== undefined) {
      const field_mT = switchingField(kind, design.clock_rad[lock - 1]);
      Object.assign(action, { lock, field_mT, current_A: field_mT.map((B) => B / kCoil_mT_per_A), field_reserve: 1.5 });
    }
    actions.push(action);
  };
  for (const [kind, state, lock] of moves) push(kind, 'in', state, lock);
  for (let k = moves.length - 1; k >= 0; --k) push(kReverse[moves[k][0]], 'out', k > 0 ? moves[k - 1][1] : start, moves[k][2]);
  return { states, actions, design, tip: describe(design, moves[moves.length - 1][1]).tip_mm };
}

const max = (lists) => Math.max(...lists.flat().map(Math.abs));

function summaryOf({ states, actions }, locks, target, tip) {
  const cleared = actions.map((a) => a.clearance_mm).filter((c) => c !== null);
  return {
    locks_used: locks, actions: actions.length, clearance_mm: Math.min(...cleared), clearance_slack_mm: 0.03,
    tip_error_mm: Math.hypot(...tip.map((c, i) => c - target[i])), tip_direction_error_deg: null,
    tension_max_N: max(states.map((s) => s.tension_N)), pull_max_mm: max(states.map((s) => s.pull_mm)),
    field_max_mT: locks > 0 ? kField_mT : 0, duration_s: 120, preset: false,
    chance_to_fail_high: 0.0123, reserve: 1.75,
  };
}

function planFile({ verdict, why, locks, target, hashes, remedies }) {
  const reached = verdict === 'reached';
  const head = {
    format: 'withy-plan', version: 1,
    scene: { file: 'scene.toml', ...hashes, title: 'Chamber behind a neck (sample)' },
    verdict, why, ...(remedies ? { remedies } : {}), checked: ['clearance', 'tendons', 'field'], not_checked: ['latch'],
    locks, seed: 1, seconds: 0.8,
    segment: { length_mm: kLength_mm, radius_mm: kRadius_mm, tip_rigid_mm: kTip_mm, curvature_max_per_mm: kCurvatureMax, flexural_rigidity_Nmm2: kRigidity },
  };
  if (reached) {
    const made = planBody(locks);
    return { ...head, summary: summaryOf(made, locks, target, made.tip), states: made.states, actions: made.actions, proof: null, approach: null };
  }
  return {
    ...head, summary: null, states: [], actions: [],
    proof: { cells_examined: 48210, cells_excluded: verdict === 'unreachable' ? 48210 : 47102, cells_left: verdict === 'unreachable' ? 0 : 1108, finest_cell_mm: 0.05, lipschitz_insertion: 1, lipschitz_curvature_mm2: 4050 },
    approach: verdict === 'undecided' ? approachTo(target) : null,
  };
}

/** How near one arc comes to the target: some bend, said to be stopped by the wall. */
function approachTo(target) {
  const state = describe(sampleDesign(0), { insertion_mm: 84, locked: [], frozen: [], u: [-0.004, 0.008] });
  return { distance_mm: Math.hypot(...state.tip_mm.map((c, i) => c - target[i])), tip_mm: state.tip_mm, blocked_by: 'the body would touch the wall beside the neck', state };
}

const sha256 = (text) => createHash('sha256').update(text).digest('hex');

export function writeSamples(folder) {
  mkdirSync(folder, { recursive: true });
  const mesh = off(chamberMesh());
  const target = planBody(1).tip.map((c, i) => c + [0.4, -0.3, 0.2][i]);
  const scene = sceneText(target);
  writeFileSync(join(folder, 'chamber.off'), mesh);
  writeFileSync(join(folder, 'scene.toml'), scene);
  const hashes = { sha256: sha256(scene), mesh_sha256: sha256(mesh) };
  const plans = {
    reached: { verdict: 'reached', why: 'One lock at 45 mm freezes a bend of 40° behind the neck; the free part then turns to the target, never nearer the wall than the clearance below.', locks: 1 },
    two: { verdict: 'reached', why: 'Two locks freeze an S behind the neck and the free part turns to the target.', locks: 2 },
    unreachable: { verdict: 'unreachable', why: 'Without a lock the segment has one curvature, and no single arc from the neck comes nearer to the target than 11.4 mm; one more frozen bend would reach it.', locks: 0, remedies: ['it would be reached with 1 lock instead of 0'] },
    undecided: { verdict: 'undecided', why: 'The budget of 10 s ran out with 1,108 cells left; the best approach is stopped by the wall beside the neck.', locks: 0 },
  };
  for (const [name, facts] of Object.entries(plans))
    writeFileSync(join(folder, `${name}.json`), JSON.stringify(planFile({ ...facts, target, hashes }), null, 1) + '\n');
  return { mesh: chamberMesh(), target, plans: Object.keys(plans) };
}

if (process.argv[1]?.endsWith('samples.mjs')) {
  if (!process.argv[2]) throw new Error('usage: node samples.mjs FOLDER');
  writeSamples(process.argv[2]);
}
