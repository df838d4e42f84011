// SPDX-License-Identifier: GPL-3.0-or-later
// The page's own signs: one shape for each verdict and each kind of action, readable without colour.

import type { Kind, PlanAction, PlanState, Verdict } from './data.ts';
import { s } from './dom.ts';

function sign(title: string, ...children: SVGElement[]): SVGSVGElement {
  return s('svg', { viewBox: '0 0 24 24', class: 'sign', role: 'img', 'aria-label': title }, ...children);
}

const stroke = (d: string, extra: Record<string, string> = {}) =>
  s('path', { d, fill: 'none', stroke: 'currentColor', 'stroke-width': 2, 'stroke-linecap': 'round', 'stroke-linejoin': 'round', ...extra });

/** Reached: a dot in its ring. Unreachable: a wall between dot and ring. Undecided: an open ring, dot outside. */
export function verdictSign(verdict: Verdict): SVGSVGElement {
  const dot = (x: number) => s('circle', { cx: x, cy: 12, r: 3.4, fill: 'currentColor' });
  const ring = (x: number, r: number, dash = '') =>
    s('circle', { cx: x, cy: 12, r, fill: 'none', stroke: 'currentColor', 'stroke-width': 2, 'stroke-dasharray': dash });
  if (verdict === 'reached') return sign('reached', ring(12, 9), dot(12));
  if (verdict === 'unreachable') return sign('unreachable', dot(4.4), stroke('M11 3 V21', { 'stroke-width': '3' }), ring(18.5, 4.5));
  return sign('undecided', dot(4.4), ring(16.5, 6.3, '2.6 2.4'));
}

/** What an action's sign is called: a retraction has its own. */
export function actionKey(action: PlanAction, states: PlanState[]): Kind | 'retract' {
  const back = states[action.to].insertion_mm < states[action.from].insertion_mm;
  return action.kind === 'advance' && back ? 'retract' : action.kind;
}

export function actionSign(key: Kind | 'retract'): SVGSVGElement {
  switch (key) {
    case 'advance':
      return sign(key, stroke('M3 12 H20 M14 6 L20 12 L14 18'));
    case 'retract':
      return sign(key, stroke('M21 12 H4 M10 6 L4 12 L10 18'));
    case 'bend':
      return sign(key, stroke('M4 20 C4 10 9 5 18 5 M13 1.5 L18.5 5 L13.5 9.5'));
    case 'steer':
      return sign(key, stroke('M3 19 H9 C15 19 18 15 18 5 M13.5 9.5 L18 4.5 L22 9.5'));
    case 'lock':
      return sign(key, stroke('M1 12 H23'), s('rect', { x: 6, y: 5, width: 12, height: 14, fill: 'currentColor' }));
    case 'unlock':
      return sign(key, stroke('M1 12 H7 M17 12 H23'), stroke('M10 5 H7 V19 H10 M14 5 H17 V19 H14'));
  }
}
