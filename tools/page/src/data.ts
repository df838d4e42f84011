// SPDX-License-Identifier: GPL-3.0-or-later
// What the program puts on the page: the plans word for word, and the scene, mesh and samples that go with them.

import type { BodyState, Design, Vec2, Vec3 } from './kinematics.ts';

export type Kind = 'advance' | 'bend' | 'steer' | 'lock' | 'unlock';
export type Verdict = 'reached' | 'unreachable' | 'undecided';

/** One state of a plan file. */
export interface PlanState {
  insertion_mm: number;
  locked: boolean[];
  regions: { from_mm: number; to_mm: number; curvature_per_mm: [number, number] }[];
  pull_mm?: number[] | null;
  tension_N?: number[] | null;
  tip_mm: Vec3;
  clearance_mm: number | null;
  lock_moment_Nmm?: number[] | null;
}

export interface PlanAction {
  kind: Kind;
  leg: 'in' | 'out';
  from: number;
  to: number;
  lock?: number;
  field_mT?: Vec3 | null;
  current_A?: number[] | null;
  field_reserve?: number | null;
  clearance_mm: number | null;
  /** Lock actions only; null where the scene's latch has no hunt. */
  hunt?: Hunt | null;
}

/** The sweep about the planned bend until the latch drops in. */
export interface Hunt {
  shape: 'none' | 'line' | 'spiral';
  radius_mm: number;
  turns: number;
  corners_per_turn: number;
  turn_spacing_mm: number;
  clearance_mm: number | null;
  duration_s: number | null;
  made: boolean;
  why: string | null;
}

export interface PlanFile {
  scene: { file: string; sha256: string; mesh_sha256: string; title: string };
  verdict: Verdict;
  why: string;
  /** What would have to change, a sentence each; of unreachable answers. */
  remedies?: string[];
  checked: string[];
  not_checked: string[];
  locks: number;
  seed: number;
  seconds: number;
  segment: Record<string, unknown>;
  summary?: Record<string, number | boolean | null> | null;
  states: PlanState[];
  actions: PlanAction[];
  proof?: Record<string, unknown> | null;
  /** How deep the tip gets, of unreachable answers; the place is on the middle line, where no tip gets past. */
  depth?: { sentence: string; target_mm: number; reached_mm: number; at_most_mm: number | null; stops_short: boolean; place_mm: Vec3; no_nearer_mm?: number | null };
  /** Where the search is open and what might decide it, of undecided answers. */
  open?: { sentence: string };
  might_decide?: string[];
  approach?: { distance_mm?: number; from?: string; blocked_by?: string; state?: PlanState } | null;
}

/** Samples along one action, taken by the program on the full mesh. `t` runs from 0 to 1. */
export interface ActionSamples {
  t: number[];
  clearance_mm: (number | null)[];
  station_mm: (number | null)[];
  wall_mm: (Vec3 | null)[];
  pull_mm?: number[][];
  tension_N?: number[][];
  /** Of a hunt: curvature vector of the free region at each moment, 1/mm. The lock is engaged in the last two. */
  swept_u?: Vec2[];
  seconds: number;
}

/** Centrelines of the elastic body along one action, at moments `t`: stations evenly spread from base to tip. */
export interface ElasticSamples {
  t: number[];
  /** Base64 of little-endian float32 x y z, entry frame, mm: one centreline after the other. */
  points: string;
}

/** The elastic body along a plan, with one set of pulls. */
export interface ElasticWay {
  /** As said beside the picture's switch. */
  name: string;
  stations: number;
  actions: ElasticSamples[];
}

export interface PlanEntry {
  plan: PlanFile;
  design: Design;
  samples: ActionSamples[];
  elastic?: ElasticWay[];
}

export interface SceneFacts {
  title: string;
  file: string;
  mesh_file: string;
  required_clearance_mm: number;
  /** Entry frame in the scene frame: rotation row by row, then origin. */
  entry: { R: number[]; p: Vec3; opening_radius_mm: number };
  target: { point_mm: Vec3; tolerance_mm: number; direction: Vec3 | null; direction_tolerance_deg: number };
  insertion_max_mm: number;
  curvature_max_per_mm: number;
  stroke_max_mm: number | null;
  tension_min_N: number | null;
  tension_max_N: number | null;
  field_max_mT: number | null;
}

export interface ChannelFacts {
  triangles_in_file: number;
  triangles_shown: number;
  deviation_mm: number | null;
  deviation_points: number;
  /** Base64 of little-endian float32 x y z, scene frame, mm. */
  vertices: string;
  /** Base64 of little-endian uint32, three a triangle. */
  triangles: string;
  openings: { centre_mm: Vec3; radius_mm: number; is_entry: boolean }[];
}

export interface PageData {
  program: string;
  cautions: string[];
  /** True when action times are the unit's own (the scene has rates), not the page's. */
  timed: boolean;
  scene: SceneFacts;
  channel: ChannelFacts;
  plans: PlanEntry[];
}

export function readData(): PageData {
  const element = document.getElementById('withy-data');
  if (!element?.textContent) throw new Error('the page carries no data');
  return JSON.parse(element.textContent) as PageData;
}

export function bodyState(state: PlanState): BodyState {
  return {
    insertion_mm: state.insertion_mm,
    locked: state.locked,
    regions: state.regions.map((r) => ({ from_mm: r.from_mm, to_mm: r.to_mm, u: r.curvature_per_mm })),
  };
}

function bytes(base64: string): ArrayBuffer {
  const text = atob(base64);
  const buffer = new Uint8Array(text.length);
  for (let i = 0; i < text.length; ++i) buffer[i] = text.charCodeAt(i);
  return buffer.buffer;
}

export const floats = (base64: string) => new Float32Array(bytes(base64));
export const indices = (base64: string) => new Uint32Array(bytes(base64));
