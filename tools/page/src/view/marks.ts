// SPDX-License-Identifier: GPL-3.0-or-later
// What stands beside body and wall: target and tolerance, entry, the tip's way, the tightest gap, the switching field.

import * as THREE from 'three';
import { Line2 } from 'three/examples/jsm/lines/Line2.js';
import { LineGeometry } from 'three/examples/jsm/lines/LineGeometry.js';
import { LineMaterial } from 'three/examples/jsm/lines/LineMaterial.js';
import { LineSegments2 } from 'three/examples/jsm/lines/LineSegments2.js';
import { LineSegmentsGeometry } from 'three/examples/jsm/lines/LineSegmentsGeometry.js';
import type { SceneFacts } from '../data.ts';
import { tone } from '../dom.ts';
import type { Vec3 } from '../kinematics.ts';

const vector = (v: Vec3) => new THREE.Vector3(v[0], v[1], v[2]);

function circle(centre: THREE.Vector3, radius: number, normal: THREE.Vector3): number[] {
  const turn = new THREE.Quaternion().setFromUnitVectors(new THREE.Vector3(0, 0, 1), normal);
  const points: number[] = [];
  for (let i = 0; i <= 48; ++i) {
    const a = (2 * Math.PI * i) / 48;
    const p = new THREE.Vector3(radius * Math.cos(a), radius * Math.sin(a), 0).applyQuaternion(turn).add(centre);
    points.push(p.x, p.y, p.z);
  }
  return points;
}

/** A chain of points as the segments between them. */
function segments(chain: number[]): number[] {
  const out: number[] = [];
  for (let i = 0; i + 5 < chain.length; i += 3) out.push(...chain.slice(i, i + 6));
  return out;
}

/** A ball of the target that is drawn smaller than this, px, is a blot: a mark of that size stands for it then. */
const kClearBall = 9;
/** How far the mark's line comes from, along the direction that the tip should have, in its radii. */
const kMarkTail = 3;

/** How many px a millimetre at that place takes. */
function px_per_mm(at: THREE.Vector3, camera: THREE.PerspectiveCamera, height: number): number {
  const depth = Math.max(1e-6, at.clone().sub(camera.position).dot(camera.getWorldDirection(new THREE.Vector3())));
  return height / (2 * Math.tan((camera.fov * Math.PI) / 360) * depth);
}

/** A ring of radius 1 about the eye's direction, and a small cross in its middle. */
function markLines(): number[] {
  const ring = segments(circle(new THREE.Vector3(), 1, new THREE.Vector3(0, 0, 1)));
  return [...ring, -0.4, 0, 0, 0.4, 0, 0, 0, -0.4, 0, 0, 0.4, 0];
}

/** From where the tip comes to the ring's rim, of radius 1 about the origin. */
function tail(direction: THREE.Vector3, material: LineMaterial): LineSegments2 {
  const ends = [...direction.clone().multiplyScalar(-kMarkTail).toArray(), ...direction.clone().multiplyScalar(-1).toArray()];
  const line = new LineSegments2(new LineSegmentsGeometry().setPositions(ends), material);
  line.renderOrder = 7;
  return line;
}

/**
 * The target: tolerance ball as three rings, a cross in its middle, and the cone of allowed tip directions. From far away a ring with
 * its middle, and a line to it along the direction.
 */
export class TargetView {
  readonly group = new THREE.Group();
  private readonly whole = new THREE.Group();
  private readonly mark = new THREE.Group();
  private readonly ring: LineSegments2;
  private readonly line = new LineMaterial({ linewidth: 2 });
  private readonly ball = new THREE.MeshBasicMaterial({ transparent: true, opacity: 0.18, depthWrite: false });

  private readonly radius: number;

  constructor(target: SceneFacts['target']) {
    this.radius = target.tolerance_mm;
    const centre = vector(target.point_mm);
    const r = target.tolerance_mm;
    const lines: number[] = [];
    this.ring = new LineSegments2(new LineSegmentsGeometry().setPositions(markLines()), this.line);
    this.ring.renderOrder = 7;
    this.mark.add(this.ring);
    this.mark.position.copy(centre);
    if (target.direction) this.mark.add(tail(vector(target.direction), this.line));
    for (const axis of [new THREE.Vector3(1, 0, 0), new THREE.Vector3(0, 1, 0), new THREE.Vector3(0, 0, 1)]) {
      lines.push(...segments(circle(centre, r, axis)));
      const a = centre.clone().addScaledVector(axis, 1.45 * r);
      const b = centre.clone().addScaledVector(axis, -1.45 * r);
      lines.push(a.x, a.y, a.z, b.x, b.y, b.z);
    }
    if (target.direction) lines.push(...this.cone(target, centre, vector(target.direction)));
    const geometry = new LineSegmentsGeometry().setPositions(lines);
    const frame = new LineSegments2(geometry, this.line);
    frame.renderOrder = 7;
    const ball = new THREE.Mesh(new THREE.SphereGeometry(r, 32, 20).translate(centre.x, centre.y, centre.z), this.ball);
    ball.renderOrder = 7;
    this.whole.add(ball, frame);
    this.mark.visible = false;
    this.group.add(this.whole, this.mark);
  }

  /** For the picture of that height (px) that is drawn next. */
  face(camera: THREE.PerspectiveCamera, height: number) {
    const scale = px_per_mm(this.mark.position, camera, height);
    this.mark.visible = scale * this.radius < kClearBall;
    this.whole.visible = !this.mark.visible;
    this.mark.scale.setScalar(kClearBall / scale);
    this.ring.quaternion.copy(camera.quaternion);
  }

  /** The tip should come in within the cone that opens backwards from the target. */
  private cone(target: SceneFacts['target'], centre: THREE.Vector3, direction: THREE.Vector3): number[] {
    const length = 6 * target.tolerance_mm;
    const half = (target.direction_tolerance_deg * Math.PI) / 180;
    const foot = centre.clone().addScaledVector(direction, -length * Math.cos(half));
    const rim = circle(foot, length * Math.sin(half), direction);
    const lines = segments(rim);
    for (let i = 0; i < 48; i += 12)
      lines.push(centre.x, centre.y, centre.z, rim[3 * i], rim[3 * i + 1], rim[3 * i + 2]);
    return lines;
  }

  applyTheme() {
    this.line.color.set(tone('--target'));
    this.ball.color.set(tone('--target'));
  }
}

/** Where the tip comes to a stop: a cross in a ring, square to each axis, seen through everything. */
export class StopView {
  readonly group = new THREE.Group();
  private readonly line = new LineMaterial({ linewidth: 3, depthTest: false });

  constructor(place: Vec3, radius: number) {
    const centre = vector(place);
    const lines: number[] = [];
    for (const axis of [new THREE.Vector3(1, 0, 0), new THREE.Vector3(0, 1, 0), new THREE.Vector3(0, 0, 1)])
      lines.push(...segments(circle(centre, radius, axis)));
    for (const [x, y, z] of [[1, 1, 1], [1, 1, -1], [1, -1, 1], [-1, 1, 1]]) {
      const a = centre.clone().addScaledVector(new THREE.Vector3(x, y, z), radius / Math.sqrt(3));
      const b = centre.clone().addScaledVector(new THREE.Vector3(x, y, z), -radius / Math.sqrt(3));
      lines.push(a.x, a.y, a.z, b.x, b.y, b.z);
    }
    const frame = new LineSegments2(new LineSegmentsGeometry().setPositions(lines), this.line);
    frame.renderOrder = 9;
    this.group.add(frame);
  }

  applyTheme() {
    this.line.color.set(tone('--gap'));
  }
}

/** The openings' rings, the entry's with its axis arrow. */
export class EntryView {
  readonly group = new THREE.Group();
  private readonly line = new LineMaterial({ linewidth: 1.5 });

  constructor(facts: SceneFacts) {
    const { R, p, opening_radius_mm } = facts.entry;
    const origin = vector(p);
    const axis = new THREE.Vector3(R[2], R[5], R[8]);
    const across = new THREE.Vector3(R[0], R[3], R[6]);
    const lines = segments(circle(origin, opening_radius_mm, axis));
    const tail = origin.clone().addScaledVector(axis, -1.6 * opening_radius_mm);
    const add = (a: THREE.Vector3, b: THREE.Vector3) => lines.push(a.x, a.y, a.z, b.x, b.y, b.z);
    const head = origin.clone().addScaledVector(axis, -0.15 * opening_radius_mm);
    add(tail, head);
    for (const side of [-1, 1])
      add(head, head.clone().addScaledVector(axis, -0.35 * opening_radius_mm).addScaledVector(across, 0.2 * side * opening_radius_mm));
    this.group.add(new LineSegments2(new LineSegmentsGeometry().setPositions(lines), this.line));
  }

  applyTheme() {
    this.line.color.set(tone('--ink-soft'));
  }
}

/** The way of the tip over the whole plan, dashed. */
export class TipPathView {
  readonly line: Line2;
  private readonly material: LineMaterial;

  constructor(points: Vec3[], dash_mm: number) {
    this.material = new LineMaterial({ linewidth: 1.6, dashed: true, dashSize: 3 * dash_mm, gapSize: 2 * dash_mm });
    const geometry = new LineGeometry();
    geometry.setPositions(points.flat());
    this.line = new Line2(geometry, this.material);
    this.line.computeLineDistances();
    this.line.renderOrder = 3;
  }

  applyTheme() {
    this.material.color.set(tone('--ink-soft'));
  }
}

/** A measured gap: two ticks and the line between them, seen through everything. */
export class GapView {
  readonly group = new THREE.Group();
  private readonly line: LineSegments2;
  private readonly casing: LineSegments2;
  private readonly material = new LineMaterial({ linewidth: 3, depthTest: false });
  private readonly casingMaterial = new LineMaterial({ linewidth: 6, depthTest: false });

  constructor() {
    this.casing = new LineSegments2(new LineSegmentsGeometry(), this.casingMaterial);
    this.line = new LineSegments2(new LineSegmentsGeometry(), this.material);
    this.casing.renderOrder = 8;
    this.line.renderOrder = 9;
    this.group.add(this.casing, this.line);
  }

  applyTheme() {
    this.material.color.set(tone('--gap'));
    this.casingMaterial.color.set(tone('--paper'));
  }

  /** `tick` is half the length of the end ticks. */
  set(body: THREE.Vector3, wall: THREE.Vector3, towardsEye: THREE.Vector3, tick: number) {
    const along = wall.clone().sub(body).normalize();
    const across = along.clone().cross(towardsEye).normalize().multiplyScalar(tick);
    const lines: number[] = [];
    const add = (a: THREE.Vector3, b: THREE.Vector3) => lines.push(a.x, a.y, a.z, b.x, b.y, b.z);
    add(body, wall);
    for (const end of [body, wall]) add(end.clone().add(across), end.clone().sub(across));
    for (const part of [this.line, this.casing]) {
      part.geometry.dispose();
      part.geometry = new LineSegmentsGeometry().setPositions(lines);
    }
  }
}

/** The field that switches a lock, as an arrow at the lock. */
export class FieldView {
  readonly group = new THREE.Group();
  private readonly line: LineSegments2;
  private readonly material = new LineMaterial({ linewidth: 3.5, depthTest: false });

  constructor() {
    this.line = new LineSegments2(new LineSegmentsGeometry(), this.material);
    this.line.renderOrder = 8;
    this.group.add(this.line);
  }

  applyTheme() {
    this.material.color.set(tone('--field'));
  }

  set(at: THREE.Vector3, field: THREE.Vector3, length: number, towardsEye: THREE.Vector3): THREE.Vector3 {
    const along = field.clone().normalize();
    const across = along.clone().cross(towardsEye).normalize();
    const head = at.clone().addScaledVector(along, length);
    const lines: number[] = [at.x, at.y, at.z, head.x, head.y, head.z];
    for (const side of [-1, 1]) {
      const barb = head.clone().addScaledVector(along, -0.3 * length).addScaledVector(across, 0.18 * side * length);
      lines.push(head.x, head.y, head.z, barb.x, barb.y, barb.z);
    }
    this.line.geometry.dispose();
    this.line.geometry = new LineSegmentsGeometry().setPositions(lines);
    return head;
  }
}
