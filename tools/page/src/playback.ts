// SPDX-License-Identifier: GPL-3.0-or-later
// Where every plan of the page is at a given time. One clock drives all plans; a shorter plan waits at its end.

import { bodyState, floats, type ElasticWay, type PlanEntry } from './data.ts';
import { PointShape, interpolate, type BodyState, type Vec2, type Vec3 } from './kinematics.ts';

/** A plan at one moment. `action` is -1 where the plan has none. */
export interface Moment {
  action: number;
  fraction: number;
  body: BodyState;
}

/** The tightest place of a plan at one moment, between samples linearly. */
export interface Gap {
  clearance_mm: number;
  station_mm: number;
  wall_S: Vec3;
}

/** Times closer than this are one moment. */
export const kSeam_s = 1e-6;

/** The body in a hunt: `before` with the free region's curvature of the moment, `after` once the lock is engaged. */
function sweptBody(before: BodyState, after: BodyState, t: number[], u: Vec2[], fraction: number): BodyState {
  const engaged = t.length - 2;
  if (fraction >= t[engaged]) return after;
  let i = 0;
  while (i + 1 < engaged && t[i + 1] <= fraction) ++i;
  // Between the end of the sweep and the moment of engaging the body rests.
  const next = Math.min(i + 1, engaged - 1);
  const share = t[next] > t[i] ? (fraction - t[i]) / (t[next] - t[i]) : 0;
  const swept: Vec2 = [u[i][0] + share * (u[next][0] - u[i][0]), u[i][1] + share * (u[next][1] - u[i][1])];
  const last = before.regions.length - 1;
  return { ...before, regions: before.regions.map((region, k) => (k === last ? { ...region, u: swept } : region)) };
}

export class Track {
  /** Start time of each action, and the end of the last. */
  readonly start: number[] = [];

  constructor(readonly entry: PlanEntry) {
    let at = 0;
    for (const samples of entry.samples) {
      this.start.push(at);
      at += samples.seconds;
    }
    this.start.push(at);
  }

  get seconds(): number {
    return this.start[this.start.length - 1];
  }

  get actions() {
    return this.entry.plan.actions;
  }

  /** The action under way at a time; at a seam, the one that begins. */
  actionAt(time: number): number {
    let low = 0;
    let high = this.actions.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (this.start[middle] <= time) low = middle;
      else high = middle - 1;
    }
    return high < 0 ? -1 : low;
  }

  at(time: number): Moment {
    const { plan, design } = this.entry;
    const action = this.actionAt(time);
    if (action < 0) return { action, fraction: 0, body: this.restBody() };
    const seconds = this.start[action + 1] - this.start[action];
    const fraction = seconds > 0 ? Math.min(1, Math.max(0, (time - this.start[action]) / seconds)) : 1;
    const { kind, from, to } = plan.actions[action];
    const a = bodyState(plan.states[from]);
    const b = bodyState(plan.states[to]);
    const { t, swept_u } = this.entry.samples[action];
    if (swept_u) return { action, fraction, body: sweptBody(a, b, t, swept_u, fraction) };
    const switches = kind === 'lock' || kind === 'unlock';
    const body = switches ? (fraction < 0.5 ? a : b) : interpolate(design, a, b, fraction);
    return { action, fraction, body };
  }

  /** A plan without actions rests where it came closest, or straight before the entry. */
  private restBody(): BodyState {
    const { plan, design } = this.entry;
    const state = plan.approach?.state ?? plan.states[plan.states.length - 1];
    if (state) return bodyState(state);
    return {
      insertion_mm: 0,
      locked: design.station_mm.map(() => false),
      regions: [{ from_mm: 0, to_mm: design.length_mm, u: [0, 0] }],
    };
  }

  /** The elastic body of one of the entry's ways; null where it was not followed so far. Between samples linear. */
  elasticAt(moment: Moment, way: ElasticWay): PointShape | null {
    const samples = way.actions[moment.action];
    if (!samples || samples.t.length === 0) return null;
    const { t } = samples;
    let i = 0;
    while (i + 2 < t.length && t[i + 1] <= moment.fraction) ++i;
    const j = Math.min(i + 1, t.length - 1);
    const share = t[j] > t[i] ? Math.min(1, Math.max(0, (moment.fraction - t[i]) / (t[j] - t[i]))) : 0;
    const all = this.elasticPoints(samples.points);
    const points: Vec3[] = [];
    for (let k = 0; k < way.stations; ++k) {
      const at = (sample: number, axis: number) => all[3 * (sample * way.stations + k) + axis];
      points.push([0, 1, 2].map((axis) => at(i, axis) + share * (at(j, axis) - at(i, axis))) as Vec3);
    }
    return new PointShape(this.entry.design.length_mm, points);
  }

  private readonly unpacked = new Map<string, Float32Array>();

  private elasticPoints(packed: string): Float32Array {
    const known = this.unpacked.get(packed);
    if (known) return known;
    const points = floats(packed);
    this.unpacked.set(packed, points);
    return points;
  }

  gapAt(moment: Moment): Gap | null {
    if (moment.action < 0) return null;
    const samples = this.entry.samples[moment.action];
    let best = -1;
    for (let i = 0; i < samples.t.length; ++i)
      if (best < 0 || Math.abs(samples.t[i] - moment.fraction) < Math.abs(samples.t[best] - moment.fraction)) best = i;
    const clearance_mm = samples.clearance_mm[best];
    const station_mm = samples.station_mm[best];
    const wall_S = samples.wall_mm[best];
    if (best < 0 || clearance_mm === null || station_mm === null || wall_S === null) return null;
    return { clearance_mm, station_mm, wall_S };
  }

  /** When the plan is at its tightest, by the samples. */
  tightestTime(): number | null {
    let time: number | null = null;
    let least = Infinity;
    this.entry.samples.forEach((samples, k) => {
      samples.clearance_mm.forEach((c, i) => {
        if (c === null || c >= least) return;
        least = c;
        time = this.start[k] + samples.t[i] * samples.seconds;
      });
    });
    return time;
  }

  /** The last moment of the way in, the tip at the target, a hair before the way out begins. */
  targetTime(): number {
    return Math.max(0, this.turningTime() - 0.5 * kSeam_s);
  }

  isAtTarget(time: number): boolean {
    return this.entry.plan.verdict === 'reached' && Math.abs(time - this.turningTime()) <= kSeam_s;
  }

  /** When the way in ends and the way out begins. */
  turningTime(): number {
    const out = this.actions.findIndex((a) => a.leg === 'out');
    return out < 0 ? this.seconds : this.start[out];
  }
}

/** The page's clock: a time within [0, seconds], playing or not. Tells its listeners of every change. */
export class Clock {
  time = 0;
  playing = false;
  speed = 1;
  private last = 0;
  /** Nobody has moved the clock yet: the page opens with the tip at the target, and play begins at the start. */
  private fresh = true;
  private readonly listeners: (() => void)[] = [];

  constructor(readonly seconds: number) {}

  listen(listener: () => void) {
    this.listeners.push(listener);
  }

  private tell() {
    for (const listener of this.listeners) listener();
  }

  /** Sets the time that the page opens with. */
  open(time: number) {
    this.seek(time);
    this.fresh = true;
  }

  seek(time: number) {
    this.fresh = false;
    this.time = Math.min(this.seconds, Math.max(0, time));
    this.tell();
  }

  play(on: boolean) {
    if (on === this.playing) return;
    this.playing = on;
    if (on) {
      if (this.fresh || this.time >= this.seconds) this.time = 0;
      this.fresh = false;
      this.last = performance.now();
      requestAnimationFrame(this.tick);
    }
    this.tell();
  }

  setSpeed(speed: number) {
    this.speed = speed;
    this.tell();
  }

  private readonly tick = (now: number) => {
    if (!this.playing) return;
    this.time = Math.min(this.seconds, this.time + (Math.max(0, now - this.last) / 1000) * this.speed);
    this.last = now;
    if (this.time >= this.seconds) this.playing = false;
    else requestAnimationFrame(this.tick);
    this.tell();
  };
}
