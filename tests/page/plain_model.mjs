// SPDX-License-Identifier: GPL-3.0-or-later
// A plain second way to a body's centreline, for the tests: the frame's differential equation
//     p' = R e_z,   R' = R [w]x,   w = (-u_y, u_x, 0)
// (Frenet-type frame equations; any text on rods) stepped with the midpoint rule, where the page uses closed arcs.
// Lengths in mm, entry frame.

const kStep_mm = 0.01;

const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
const add = (a, b, k = 1) => a.map((x, i) => x + k * b[i]);
const unit = (a) => a.map((x) => x / Math.hypot(...a));

/** Curvature at a station: none in rigid spans nor inside the guide. */
function curvatureAt(design, state, s) {
  if (design.guide && s < design.length_mm - state.insertion_mm) return [0, 0];
  if (design.rigid.some((r) => s > r.from_mm && s < r.to_mm)) return [0, 0];
  return state.regions.find((r) => s >= r.from_mm && s <= r.to_mm).u;
}

/** One midpoint step of the frame (x, y, z are its axes, p its origin). */
function stepFrame({ p, x, y, z }, u, h) {
  const turn = (axes, k) => {
    const w = add(axes.x.map((c) => -u[1] * c), axes.y, u[0]);
    return { x: add(x, cross(w, axes.x), k), y: add(y, cross(w, axes.y), k), z: add(z, cross(w, axes.z), k) };
  };
  const middle = turn({ x, y, z }, h / 2);
  const end = turn(middle, h);
  const z1 = unit(end.z);
  const x1 = unit(add(end.x, z1, -end.x.reduce((sum, c, i) => sum + c * z1[i], 0)));
  return { p: add(p, middle.z, h), x: x1, y: cross(z1, x1), z: z1 };
}

/** Stations where the curvature jumps: no step may straddle one. */
function jumps(design, state) {
  const edges = [...design.rigid.flatMap((r) => [r.from_mm, r.to_mm]), ...state.regions.flatMap((r) => [r.from_mm, r.to_mm])];
  if (design.guide) edges.push(design.length_mm - state.insertion_mm);
  return edges.sort((a, b) => a - b);
}

/** Points at the given rising stations (0 to L), by integration from the base. */
export function centreline(design, state, stations) {
  let frame = { p: [0, 0, state.insertion_mm - design.length_mm], x: [1, 0, 0], y: [0, 1, 0], z: [0, 0, 1] };
  const edges = jumps(design, state);
  let s = 0;
  return stations.map((station) => {
    while (s < station - 1e-12) {
      const edge = edges.find((e) => e > s + 1e-12) ?? Infinity;
      const h = Math.min(kStep_mm, station - s, edge - s);
      frame = stepFrame(frame, curvatureAt(design, state, s + h / 2), h);
      s += h;
    }
    return frame.p;
  });
}
