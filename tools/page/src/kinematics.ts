// SPDX-License-Identifier: GPL-3.0-or-later
// The centreline of a state, as the planner computes it (planner/segment/shape.h): constant-curvature arcs and straight
// rigid spans from a base that rides on the advance axis. Lengths in mm, curvature in 1/mm, angles in rad, poses in the
// entry frame E: origin on the entry plane, z into the channel.
//
// An arc of curvature vector u and length l, theta = |l u|, carries the frame (p, R) to p + R t, R Rot, with
//     t = l [b theta_x, b theta_y, a],  a = sin(theta)/theta,  b = (1 - cos(theta))/theta^2
// (R. J. Webster III and B. A. Jones, "Design and Kinematic Modeling of Constant Curvature Continuum Robots: A Review",
// Int. J. Robotics Research 29(13), 2010, the arc transformation, here without torsion about the tangent).

export type Vec2 = [number, number];
export type Vec3 = [number, number, number];

/** Position and rotation, rotation row by row. */
export interface Pose {
  p: Vec3;
  R: number[];
}

/** A straight stretch of the body, with the radius it has there. */
export interface RigidSpan {
  from_mm: number;
  to_mm: number;
  radius_mm: number;
}

/** What of the segment the centreline depends on. */
export interface Design {
  length_mm: number;
  radius_mm: number;
  guide: boolean;
  rigid: RigidSpan[];
  station_mm: number[];
  clock_rad: number[];
}

export interface Region {
  from_mm: number;
  to_mm: number;
  /** Curvature vector, 1/mm. */
  u: Vec2;
}

/** Regions lie proximal to distal; the last is the free one, all others are frozen. */
export interface BodyState {
  insertion_mm: number;
  locked: boolean[];
  regions: Region[];
}

interface Piece {
  from_mm: number;
  u: Vec2;
  pose: Pose;
}

// Below this angle the series' next term is under 1e-17.
const kSeriesAngle = 1e-2;
// A flexible length below this counts as none (mm).
const kNoLength_mm = 1e-9;

function sinc(x: number): number {
  if (Math.abs(x) > kSeriesAngle) return Math.sin(x) / x;
  const x2 = x * x;
  return 1 - (x2 / 6) * (1 - (x2 / 20) * (1 - (x2 / 42) * (1 - x2 / 72)));
}

function versineRatio(x: number): number {
  const half = sinc(0.5 * x);
  return 0.5 * half * half;
}

/** Pose at the end of an arc, in the frame at its start. */
export function arcPose(u: Vec2, length_mm: number): Pose {
  const bx = length_mm * u[0];
  const by = length_mm * u[1];
  const theta = Math.hypot(bx, by);
  const a = sinc(theta);
  const b = versineRatio(theta);
  return {
    p: [length_mm * b * bx, length_mm * b * by, length_mm * a],
    R: [1 - b * bx * bx, -b * bx * by, a * bx, -b * bx * by, 1 - b * by * by, a * by, -a * bx, -a * by, 1 - b * (bx * bx + by * by)],
  };
}

export function rotate(R: number[], v: Vec3): Vec3 {
  return [
    R[0] * v[0] + R[1] * v[1] + R[2] * v[2],
    R[3] * v[0] + R[4] * v[1] + R[5] * v[2],
    R[6] * v[0] + R[7] * v[1] + R[8] * v[2],
  ];
}

export function compose(A: Pose, B: Pose): Pose {
  const t = rotate(A.R, B.p);
  const R = new Array<number>(9);
  for (let i = 0; i < 3; ++i)
    for (let j = 0; j < 3; ++j)
      R[3 * i + j] = A.R[3 * i] * B.R[j] + A.R[3 * i + 1] * B.R[3 + j] + A.R[3 * i + 2] * B.R[6 + j];
  return { p: [A.p[0] + t[0], A.p[1] + t[1], A.p[2] + t[2]], R };
}

/** Stations below this are inside the guide and straight. */
export function firstExposedStation(design: Design, insertion_mm: number): number {
  if (!design.guide) return 0;
  return Math.min(Math.max(design.length_mm - insertion_mm, 0), design.length_mm);
}

/** Flexible arc length between two stations: their distance less the rigid spans between them. */
export function flexibleLength(design: Design, from_mm: number, to_mm: number): number {
  let flexible = Math.max(0, to_mm - from_mm);
  for (const span of design.rigid)
    flexible -= Math.max(0, Math.min(to_mm, span.to_mm) - Math.max(from_mm, span.from_mm));
  return Math.max(0, flexible);
}

/** Flexible length of a region that lies beyond the guide (all of it with the free carriage). */
export function exposedFlexible(design: Design, region: Region, insertion_mm: number): number {
  return flexibleLength(design, Math.max(region.from_mm, firstExposedStation(design, insertion_mm)), region.to_mm);
}

/** Bending angle vector of a region, rad. */
export function bend(design: Design, region: Region, insertion_mm: number): Vec2 {
  const f = exposedFlexible(design, region, insertion_mm);
  return [f * region.u[0], f * region.u[1]];
}

/** A body's centreline with the frames of its cross-sections. */
export interface Centreline {
  pose(s_mm: number): Pose;
  tip(): Pose;
}

/** A centreline through points at evenly spread stations from base to tip, its frames carried along without torsion. */
export class PointShape implements Centreline {
  private readonly frames: number[][] = [];

  constructor(
    readonly length_mm: number,
    readonly points: Vec3[],
  ) {
    let R = [1, 0, 0, 0, 1, 0, 0, 0, 1];
    for (let i = 0; i < points.length; ++i) {
      R = turnedTo(R, between(points[Math.max(0, i - 1)], points[Math.min(points.length - 1, i + 1)]));
      this.frames.push(R);
    }
  }

  pose(s_mm: number): Pose {
    const [base] = this.points;
    if (s_mm <= 0) return { p: [base[0], base[1], base[2] + s_mm], R: this.frames[0] };
    const spans = this.points.length - 1;
    const x = Math.min(spans, (s_mm / this.length_mm) * spans);
    const i = Math.min(spans - 1, Math.floor(x));
    const [a, b] = [this.points[i], this.points[i + 1]];
    const t = x - i;
    return { p: [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1]), a[2] + t * (b[2] - a[2])], R: this.frames[t < 0.5 ? i : i + 1] };
  }

  tip(): Pose {
    return this.pose(this.length_mm);
  }
}

/** Unit vector from a to b; along z where they are one. */
function between(a: Vec3, b: Vec3): Vec3 {
  const d: Vec3 = [b[0] - a[0], b[1] - a[1], b[2] - a[2]];
  const length = Math.hypot(...d);
  return length > 0 ? [d[0] / length, d[1] / length, d[2] / length] : [0, 0, 1];
}

/** The frame R turned by the least rotation that brings its z axis to the direction t. */
function turnedTo(R: number[], t: Vec3): number[] {
  const x: Vec3 = [R[0], R[3], R[6]];
  const along = x[0] * t[0] + x[1] * t[1] + x[2] * t[2];
  const flat: Vec3 = [x[0] - along * t[0], x[1] - along * t[1], x[2] - along * t[2]];
  const n = Math.hypot(...flat) || 1;
  const u: Vec3 = [flat[0] / n, flat[1] / n, flat[2] / n];
  const v: Vec3 = [t[1] * u[2] - t[2] * u[1], t[2] * u[0] - t[0] * u[2], t[0] * u[1] - t[1] * u[0]];
  return [u[0], v[0], t[0], u[1], v[1], t[1], u[2], v[2], t[2]];
}

export class Shape implements Centreline {
  private readonly pieces: Piece[] = [];

  constructor(readonly design: Design, state: BodyState) {
    let pose: Pose = { p: [0, 0, state.insertion_mm - design.length_mm], R: [1, 0, 0, 0, 1, 0, 0, 0, 1] };
    let at = 0;
    const add = (u: Vec2, to_mm: number) => {
      if (to_mm <= at) return;
      this.pieces.push({ from_mm: at, u, pose });
      pose = compose(pose, arcPose(u, to_mm - at));
      at = to_mm;
    };
    const straight: Vec2 = [0, 0];
    add(straight, firstExposedStation(design, state.insertion_mm));
    for (const region of state.regions) {
      for (const span of design.rigid) {
        if (span.to_mm <= at || span.from_mm >= region.to_mm) continue;
        add(region.u, Math.min(span.from_mm, region.to_mm));
        add(straight, Math.min(span.to_mm, region.to_mm));
      }
      add(region.u, region.to_mm);
    }
  }

  /** Pose of the cross-section at station s; s < 0 is the shaft behind the base. */
  pose(s_mm: number): Pose {
    let piece = this.pieces[0];
    if (s_mm <= 0) return { p: [piece.pose.p[0], piece.pose.p[1], piece.pose.p[2] + s_mm], R: piece.pose.R };
    for (const next of this.pieces) {
      if (next.from_mm > s_mm) break;
      piece = next;
    }
    return compose(piece.pose, arcPose(piece.u, s_mm - piece.from_mm));
  }

  tip(): Pose {
    return this.pose(this.design.length_mm);
  }
}

/**
 * The state at fraction t of a motion: insertion and the free curvature go linearly; a frozen region keeps its bending
 * angle, so that behind a guide its curvature changes with the length that stands out.
 */
export function interpolate(design: Design, from: BodyState, to: BodyState, t: number): BodyState {
  if (t <= 0) return from;
  if (t >= 1 || from.regions.length !== to.regions.length) return to;
  const insertion_mm = from.insertion_mm + t * (to.insertion_mm - from.insertion_mm);
  const last = from.regions.length - 1;
  const regions = from.regions.map((region, i): Region => {
    const other = to.regions[i];
    if (i === last) {
      const u: Vec2 = [region.u[0] + t * (other.u[0] - region.u[0]), region.u[1] + t * (other.u[1] - region.u[1])];
      return { ...region, u };
    }
    const f_from = exposedFlexible(design, region, from.insertion_mm);
    const f_to = exposedFlexible(design, other, to.insertion_mm);
    const theta = f_from >= f_to ? bend(design, region, from.insertion_mm) : bend(design, other, to.insertion_mm);
    const f = exposedFlexible(design, region, insertion_mm);
    return { ...region, u: f > kNoLength_mm ? [theta[0] / f, theta[1] / f] : [0, 0] };
  });
  return { insertion_mm, locked: from.locked, regions };
}
