// SPDX-License-Identifier: GPL-3.0-or-later
// What the desk answers, and how it is asked: JSON there, JSON back (README, "The live bench").

import type { ChannelFacts, PlanFile, PlanState, SceneFacts, Verdict } from '../data.ts';
import type { Design, Vec2, Vec3 } from '../kinematics.ts';

export interface LiveChannel extends ChannelFacts {
  channel: number;
  openings: { centre_mm: Vec3; radius_mm: number; is_entry: boolean; into: Vec3 }[];
}

export interface Centreline {
  channel: number;
  branches: { points_mm: Vec3[]; radius_mm: number[]; length_mm: number }[];
  /** Base64 of little-endian float32, one for each vertex of the wall. */
  room_mm: string;
}

export interface NumberFact {
  key: string;
  value: number | number[];
  unit: string;
  least: number;
  most: number;
  above: boolean;
  or_zero: boolean;
  reason: string;
}

export interface LiveScene {
  revision: number;
  channel: number;
  unsaved: boolean;
  can_undo: boolean;
  can_redo: boolean;
  cautions: string[];
  notes: string[];
  /** Why what is unsaved can't be kept beside the scene; empty while it is. */
  unkept: string;
  scene: SceneFacts;
  layout_in_use: number;
  designs: { locks: number; design?: Design; assumed?: boolean; refusal?: string }[];
  numbers: NumberFact[];
  choices: { key: string; value: string; choices: string[] }[];
}

export type Stage = 'waiting' | 'deciding' | 'decided' | 'looking' | 'finished' | 'cancelled' | 'refused';

export interface Cell {
  locks: number;
  stage: Stage;
  refusal?: string;
  verdict?: Verdict;
  why?: string;
  not_checked?: string[];
  decided_s?: number;
  plan?: {
    clearance_mm: number | null;
    /** Times the usual errors; nothing until a better plan was looked for. */
    reserve: number | null;
    field_reserve: number | null;
    switches: number;
    actions: number;
    tension_N: number | null;
    pull_mm: number | null;
    field_mT: number | null;
    lock_moment_Nmm: number | null;
  };
  approach?: { distance_mm: number | null; blocked_by: string; state: PlanState };
  depth?: { sentence: string; target_mm: number | null; reached_mm: number | null; at_most_mm: number | null };
}

export interface Verdicts {
  version: number;
  /** Grows with everything that is driven, by whatever page or program. */
  driven: number;
  revision: number;
  settled: boolean;
  cells: Cell[];
  unkept: string;
}

export interface LiveState {
  insertion_mm: number;
  locked: boolean[];
  regions: { from_mm: number; to_mm: number; curvature_per_mm: Vec2 }[];
}

export interface LockFigures {
  engaged: boolean;
  notch_off_deg: number | null;
  moment_Nmm: number | null;
  hold_moment_Nmm: number;
  field_mT: Vec3 | null;
  reserve: number | null;
  refusal: string | null;
}

export interface HandFigures {
  revision: number;
  locks_driven: number;
  driven: number;
  made: boolean;
  objection: string;
  unkept: string;
  state: LiveState;
  tip_mm: Vec3;
  target_off_mm: number;
  target_off_deg: number;
  at_target: boolean;
  clearance: { now_mm: number; proved_mm: number | null; required_mm: number; station_mm: number; wall_mm: Vec3; contact: boolean; too_near: boolean; at_limit: boolean } | null;
  tendons: { pull_mm: number[]; stroke_max_mm: number; tension_N: number[]; tension_min_N: number; tension_max_N: number } | null;
  locks: LockFigures[];
  steps: { kind: 'advance' | 'bend' | 'steer' | 'lock' | 'unlock'; lock?: number; to: LiveState }[];
  insertion_max_mm: number;
  curvature_max_per_mm: number;
}

/** How the body stands to the wall, where that is more than a gap: it touches or that can't be told, it is nearer than is required, or as near as is allowed. */
export function gapWord(clearance: HandFigures['clearance']): string {
  if (!clearance) return '';
  return clearance.contact ? 'contact' : clearance.too_near ? 'too near' : clearance.at_limit ? 'least allowed' : '';
}

/** What an answer did not check, as it is added to what is said of it. */
export const uncheckedWords = (left_out: string[] | undefined) => (left_out && left_out.length > 0 ? [`not checked: ${left_out.join(', ')}`] : []);

export interface ShownPlan {
  revision: number;
  design: Design;
  plan: PlanFile;
}

export interface Change {
  key: string;
  value: number | number[] | string;
}

/** The desk did not grant it; the message says why. */
export class Refused extends Error {}

/** The desk can't be reached. */
export class Gone extends Error {}

async function post<T>(name: string, body: object): Promise<T> {
  let response: Response;
  try {
    response = await fetch(`api/${name}`, { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify(body) });
  } catch {
    throw new Gone('the bench does not answer; was withy live ended?');
  }
  const answer = (await response.json()) as T & { error?: string };
  if (!response.ok) throw new Refused(answer.error ?? `status ${response.status}`);
  return answer;
}

export const desk = {
  channel: () => post<LiveChannel>('channel', {}),
  centreline: () => post<Centreline>('centreline', {}),
  scene: () => post<LiveScene>('scene', {}),
  edit: (changes: Change[], gesture = '') => post<LiveScene>('edit', { changes, gesture }),
  enter: (opening: number) => post<LiveScene>('enter', { opening }),
  undo: () => post<LiveScene>('undo', {}),
  redo: () => post<LiveScene>('redo', {}),
  ask: (locks: number[]) => post<Verdicts>('ask', { locks }),
  cancel: () => post<Verdicts>('cancel', {}),
  verdicts: (seen: number, driven: number, wait_s: number) => post<Verdicts>('verdicts', { seen, driven, wait_s }),
  plan: (locks: number, by_hand: boolean) => post<ShownPlan>('plan', { locks, by_hand }),
  hand: (locks: number) => post<HandFigures>('hand', { locks }),
  drive: (locks: number, insertion_mm: number, curvature_per_mm: Vec2) => post<HandFigures>('drive', { locks, insertion_mm, curvature_per_mm }),
  switch: (locks: number, lock: number) => post<HandFigures>('switch', { locks, lock }),
  back: (locks: number) => post<HandFigures>('back', { locks }),
  reset: (locks: number) => post<HandFigures>('reset', { locks }),
  take: (locks: number, actions: number) => post<HandFigures>('take', { locks, actions }),
  onward: (locks: number) => post<HandFigures>('onward', { locks }),
  verify: (locks: number) => post<{ holds: boolean; step: number | null; why: string; not_checked?: string[]; save_s?: number }>('verify', { locks }),
  saveScene: () => post<{ saved: string }>('save-scene', {}),
  savePlan: (locks: number, folder: string, by_hand: boolean) =>
    post<{ saved: string; verdict: Verdict; not_checked: string[]; left_out: string[] }>('save-plan', { locks, folder, by_hand }),
};

/** Runs one job after the other in the order that they come. Of several with one name that wait side by side only the newest is run. */
export class Newest {
  private running = false;
  private waiting: { name: string; job: () => Promise<void> }[] = [];
  private ended: Promise<void> = Promise.resolve();

  /** `busy` hears when the first job of several begins and when the last has ended. */
  constructor(private readonly busy: (now: boolean) => void = () => {}) {}

  run(name: string, job: () => Promise<void>) {
    if (this.waiting[this.waiting.length - 1]?.name === name) this.waiting.pop();
    this.waiting.push({ name, job });
    if (!this.running) this.ended = this.drain();
  }

  /** When all jobs have ended. */
  async settled() {
    while (this.running) await this.ended;
  }

  get idle(): boolean {
    return !this.running;
  }

  private async drain() {
    this.running = true;
    this.busy(true);
    for (let next = this.waiting.shift(); next; next = this.waiting.shift()) await next.job();
    this.running = false;
    this.busy(false);
  }
}
