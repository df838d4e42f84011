// SPDX-License-Identifier: GPL-3.0-or-later
// Where the channel lies in the scene: three edges of the box about it as rulers, ticked in round millimetres of the scene's x, y and z;
// and how long a millimetre is in the picture: a bar, true at the depth that the picture turns about.

import * as THREE from 'three';
import { LineMaterial } from 'three/examples/jsm/lines/LineMaterial.js';
import { LineSegments2 } from 'three/examples/jsm/lines/LineSegments2.js';
import { LineSegmentsGeometry } from 'three/examples/jsm/lines/LineSegmentsGeometry.js';
import { s, tone } from '../dom.ts';
import type { Place } from './labels.ts';

const kNames = ['x', 'y', 'z'] as const;
/** A ruler has about so many steps. */
const kSteps = 4;
/** Ticks nearer to one another than this, of an axis that is seen from its end, are left out, px. */
const kCrowded_px = 6;
/** Room for the bar's length in words, px. */
const kBarText_px = 66;

/** 1, 2 or 5 times a power of ten, not above `most`. */
export function roundLength(most: number): number {
  const power = 10 ** Math.floor(Math.log10(most));
  return power * (5 * power <= most ? 5 : 2 * power <= most ? 2 : 1);
}

export interface AxisMark {
  at: THREE.Vector3;
  text: string;
}

interface RulerTicks {
  lines: LineSegments2;
  from: THREE.Vector3;
  to: THREE.Vector3;
  steps: number;
}

export class AxesView {
  readonly group = new THREE.Group();
  private readonly rulers: RulerTicks[] = [];
  /** The ends of the rulers, for names. */
  readonly marks: AxisMark[] = [];
  private readonly material = new LineMaterial({ linewidth: 1 });

  constructor(box: THREE.Box3) {
    const ends: number[] = [];
    const size = box.getSize(new THREE.Vector3());
    const tick = 0.02 * size.length();
    kNames.forEach((name, axis) => {
      const step = roundLength(Math.max(size.getComponent(axis) / kSteps, 1e-3));
      const from = box.min.getComponent(axis);
      const to = box.max.getComponent(axis);
      const at = (value: number) => box.min.clone().setComponent(axis, value);
      ends.push(...at(from).toArray(), ...at(to).toArray());
      const values: number[] = [];
      const ticks: number[] = [];
      for (let value = Math.ceil(from / step - 1e-9) * step; value <= to + 1e-9 * step; value += step) values.push(value);
      for (const value of values) {
        const a = at(value);
        const b = a.clone();
        const side = (axis + 1) % 3;
        b.setComponent(side, b.getComponent(side) - tick);
        ticks.push(...a.toArray(), ...b.toArray());
      }
      if (ticks.length > 0) this.rulers.push({ lines: this.add(ticks), from: at(from), to: at(to), steps: (to - from) / step });
      const last = values[values.length - 1];
      if (last !== undefined) this.marks.push({ at: at(last), text: `${name} ${Number(last.toPrecision(6))}` });
    });
    this.add(ends);
  }

  private add(ends: number[]): LineSegments2 {
    const lines = new LineSegments2(new LineSegmentsGeometry().setPositions(ends), this.material);
    lines.renderOrder = 1;
    this.group.add(lines);
    return lines;
  }

  /** Before each drawing: `height` is the picture's, px. */
  face(camera: THREE.PerspectiveCamera, height: number) {
    const place = (p: THREE.Vector3) => {
      const { x, y } = p.clone().project(camera);
      return new THREE.Vector2((x * camera.aspect * height) / 2, (y * height) / 2);
    };
    for (const { lines, from, to, steps } of this.rulers) lines.visible = place(from).distanceTo(place(to)) >= kCrowded_px * steps;
  }

  applyTheme() {
    this.material.color.set(tone('--ink-soft'));
  }
}

/** The bar with its length, for the lower left corner of a picture of that height (px). */
export function scaleBar(camera: THREE.PerspectiveCamera, middle: THREE.Vector3, height: number): { element: SVGElement; place: Place } {
  const distance = Math.max(camera.position.distanceTo(middle), 1e-6);
  const px_per_mm = height / (2 * Math.tan((camera.fov * Math.PI) / 360) * distance);
  const length = roundLength(110 / px_per_mm);
  const right = 14 + length * px_per_mm;
  const y = height - 14;
  const place = { x: 6, y: y - 14, width: right + kBarText_px - 6, height: 22 };
  const element = s('g', { class: 'scale-bar' }, s('rect', { ...place, rx: 5 }), s('path', { d: `M14 ${y - 5} V${y} H${right} V${y - 5}` }), s('text', { x: right + 6, y }, `${length} mm`));
  return { element, place };
}
