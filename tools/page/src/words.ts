// SPDX-License-Identifier: GPL-3.0-or-later
// Numbers and actions in plain words.

import type { Hunt, PlanAction, PlanEntry, PlanFile, PlanState, SceneFacts, Verdict } from './data.ts';
import { bodyState } from './data.ts';
import { bend, Shape, type Design, type Vec2, type Vec3 } from './kinematics.ts';

/** A number with its unit, or a dash where there is none. */
export function quantity(value: number | null | undefined, unit: string, digits = 2): string {
  if (value === null || value === undefined || !Number.isFinite(value)) return '–';
  const rounded = Number(value.toFixed(digits));
  const text = (rounded === 0 ? 0 : rounded).toFixed(digits).replace('-', '−');
  return unit === '' ? text : unit === '°' ? text + unit : `${text}\u00a0${unit}`;
}

/** A sentence as it stands on a page: with a capital and a full stop. */
export function sentence(text: string): string {
  const trimmed = text.trim();
  const capital = trimmed.charAt(0).toUpperCase() + trimmed.slice(1);
  return /[.!?…]$/.test(capital) || capital === '' ? capital : `${capital}.`;
}

export const degrees = (rad: number) => (rad * 180) / Math.PI;

export function lockCount(locks: number): string {
  return locks === 0 ? 'no lock' : locks === 1 ? '1 lock' : `${locks} locks`;
}

export const verdictWord: Record<Verdict, string> = {
  reached: 'Reached',
  unreachable: 'Unreachable',
  undecided: 'Undecided',
};

/** "1 lock", or where a plan leaves some unused "2 locks on board, 1 used". */
export function locksOnBoard({ locks, verdict, summary }: PlanFile): string {
  const used = summary?.locks_used;
  return verdict !== 'reached' || typeof used !== 'number' || used === locks ? lockCount(locks) : `${lockCount(locks)} on board, ${used} used`;
}

/** Less than this is no distance in words of a tenth of a millimetre. */
const kShort_mm = 0.05;

/** How far a tip's direction is from the wanted one (degrees); 0 where none is wanted. */
function directionOff(scene: SceneFacts, design: Design, state: PlanState): number {
  const { direction } = scene.target;
  if (!direction) return 0;
  const tip = new Shape(design, bodyState(state)).tip().R;
  const { R } = scene.entry;
  const along = [0, 1, 2].map((i) => R[3 * i] * tip[2] + R[3 * i + 1] * tip[5] + R[3 * i + 2] * tip[8]) as Vec3;
  const cosine = along.reduce((sum, c, i) => sum + c * direction[i], 0) / Math.hypot(...direction);
  return degrees(Math.acos(Math.min(1, Math.max(-1, cosine))));
}

/** A lower bound, rounded down. */
function atLeast(value: number, unit: string, digits: number): string {
  const ten = 10 ** digits;
  return quantity(Math.floor(value * ten) / ten, unit, digits);
}

/**
 * How near the tip of an answer without a plan came: the nearest state that was found, which is no proof; what is wrong there where its
 * place is not; and what is proved.
 */
export function nearestWords({ plan, design }: PlanEntry, scene: SceneFacts): string {
  const { verdict, approach, depth } = plan;
  if (verdict === 'reached') return '';
  const words: string[] = [];
  if (approach?.state) {
    const off_mm = approach.distance_mm ?? 0;
    const from = approach.from === undefined || approach.from === 'the target' ? '' : ` ${approach.from}`;
    const turn = from === '' ? directionOff(scene, design, approach.state) : 0;
    const turned = turn > scene.target.direction_tolerance_deg ? `, but the tip points ${quantity(turn, '°', 0)} off, ${quantity(scene.target.direction_tolerance_deg, '°', 0)} allowed` : '';
    words.push(`nearest found: ${off_mm < kShort_mm ? 'less than 0.1\u00a0mm' : quantity(off_mm, 'mm', 1)} off${from}${turned}`);
  }
  if (typeof depth?.no_nearer_mm === 'number') words.push(`${scene.target.direction ? 'pointing as is asked ' : ''}no nearer than ${atLeast(depth.no_nearer_mm, 'mm', 2)} (proved)`);
  return words.join('; ');
}

export const verdictMeaning: Record<Verdict, string> = {
  reached: 'a way in and out was found, and every motion of it was checked',
  unreachable: 'proved: no sequence of actions gets there at the required clearance',
  undecided: 'the search stopped before it had either a way or a proof',
};

/** "bend 57° towards 90°" of a bending angle vector; direction from the body's own x-axis towards its y-axis. */
export function bendWords(theta: Vec2): string {
  const angle = degrees(Math.hypot(theta[0], theta[1]));
  if (angle < 0.05) return 'straight';
  let towards = Math.round(degrees(Math.atan2(theta[1], theta[0])));
  if (towards < 0) towards += 360;
  return `${quantity(angle, '°', 1)} towards ${towards}°`;
}

/** Bending angle vector of region `index` (the last is the free one) in a plan's state. */
export function regionBend(entry: PlanEntry, state: PlanState, index: number): Vec2 {
  const body = bodyState(state);
  return bend(entry.design, body.regions[index], body.insertion_mm);
}

function carriageWords(from: PlanState, to: PlanState): string {
  const way = to.insertion_mm - from.insertion_mm;
  const verb = way < 0 ? 'Retract' : 'Advance';
  return `${verb} ${quantity(Math.abs(way), 'mm', 1)} to ${quantity(to.insertion_mm, 'mm', 1)}`;
}

function freeBendWords(entry: PlanEntry, to: PlanState): string {
  const words = bendWords(regionBend(entry, to, to.regions.length - 1));
  return words === 'straight' ? 'straighten the free part' : `bend the free part to ${words}`;
}

/** What an action does, as an instruction. */
export function actionWords(entry: PlanEntry, action: PlanAction): string {
  const from = entry.plan.states[action.from];
  const to = entry.plan.states[action.to];
  switch (action.kind) {
    case 'advance':
      return carriageWords(from, to);
    case 'bend': {
      const words = freeBendWords(entry, to);
      return words[0].toUpperCase() + words.slice(1);
    }
    case 'steer':
      return `${carriageWords(from, to)}, and ${freeBendWords(entry, to)}`;
    case 'lock':
      return `Engage lock ${action.lock ?? '?'}${action.hunt?.made ? ', sweeping about the bend until it drops in' : ''}`;
    case 'unlock':
      return `Release lock ${action.lock ?? '?'}`;
  }
}

/** A hunt in a few words, or why there is none. */
export function huntWords(hunt: Hunt): string {
  if (!hunt.made) return `none: ${hunt.why ?? 'no reason given'}`;
  const turns = hunt.shape === 'line' ? 'line' : `spiral of ${hunt.turns} turns`;
  const gap = hunt.clearance_mm === null ? 'outside the channel' : `clearance at least ${quantity(hunt.clearance_mm, 'mm')}`;
  return `${turns}, ${quantity(hunt.radius_mm, 'mm')} of slide to every side, ${gap}`;
}

/** "cells_examined" -> "cells examined"; a unit at the end goes into brackets. */
export function keyWords(key: string): string {
  const units: Record<string, string> = { mm: 'mm', N: 'N', rad: 'rad', deg: '°', mT: 'mT', mm2: 'mm²', s: 's' };
  const parts = key.split('_');
  const unit = parts.length > 1 ? units[parts[parts.length - 1]] : undefined;
  if (unit) parts.pop();
  return parts.join(' ').replace(/\bper\b.*$/, (rest) => rest) + (unit ? ` (${unit})` : '');
}

export function largest(values: readonly number[] | null | undefined): number | null {
  return values && values.length > 0 ? values.reduce((m, v) => Math.max(m, Math.abs(v)), 0) : null;
}
