// SPDX-License-Identifier: GPL-3.0-or-later
// The body in a few strokes, over the picture of everything else: for while it is driven where no graphics processor draws. A whole
// picture then takes many times as long as a hand waits; it takes the sketch's place as soon as the body rests.

import * as THREE from 'three';
import { h, tone } from '../dom.ts';
import type { BodyState } from '../kinematics.ts';
import { shaftFrom, type BodyView } from '../view/body.ts';

/** How far apart the places are that a stroke leads through, mm; a stroke of one width leads through so many. */
const kStep_mm = 2;
const kPerStroke = 5;
/** The outline's width, px. */
const kOutline = 1.5;

interface Place {
  x: number;
  y: number;
  /** px to the millimetre there. */
  scale: number;
}

export class BodySketch {
  readonly canvas = h('canvas', { class: 'bench-canvas bench-sketch', 'aria-hidden': 'true' });
  private readonly pen = this.canvas.getContext('2d', { willReadFrequently: true }) as CanvasRenderingContext2D;
  private readonly tones = new Map<string, string>();

  applyTheme() {
    this.tones.clear();
  }

  resize(width: number, height: number) {
    this.canvas.width = width;
    this.canvas.height = height;
  }

  clear() {
    this.pen.clearRect(0, 0, this.canvas.width, this.canvas.height);
  }

  draw(camera: THREE.PerspectiveCamera, body: BodyView, state: BodyState, gap: [THREE.Vector3, THREE.Vector3] | null) {
    this.clear();
    const { design } = body;
    const frozenTo = state.regions.length > 1 ? state.regions[state.regions.length - 1].from_mm : 0;
    const tip = design.rigid[design.rigid.length - 1];
    const rigidFrom = tip && tip.to_mm >= design.length_mm ? tip.from_mm : design.length_mm;
    const parts: [number, number, string][] = [
      [shaftFrom(state, design), 0, '--shaft'],
      [0, frozenTo, '--frozen'],
      [frozenTo, rigidFrom, '--free'],
      [rigidFrom, design.length_mm, '--tip'],
    ];
    const at = (s: number) => this.project(camera, new THREE.Vector3(...body.shape.pose(s).p).applyMatrix4(body.group.matrix));
    const drawn = parts.filter(([from, to]) => to > from).map(([from, to, colour]) => ({ places: stations(from, to).map(at), colour }));
    for (const { places } of drawn) this.strokes(places, design.radius_mm, '--body-outline', kOutline);
    for (const { places, colour } of drawn) this.strokes(places, design.radius_mm, colour, 0);
    design.station_mm.forEach((station, i) => {
      const span = design.rigid.find((r) => r.from_mm <= station && station <= r.to_mm);
      const half = span ? (span.to_mm - span.from_mm) / 2 : design.radius_mm;
      const places = [at(station - half), at(station + half)];
      const radius = span?.radius_mm ?? design.radius_mm;
      this.strokes(places, radius, '--body-outline', kOutline);
      this.strokes(places, radius, state.locked[i] ? '--lock-held' : '--lock-open', 0);
    });
    if (gap) this.line(gap.map((p) => this.project(camera, p)), 2, '--gap');
  }

  private colour(name: string): string {
    if (!this.tones.has(name)) this.tones.set(name, tone(name));
    return this.tones.get(name) as string;
  }

  private project(camera: THREE.PerspectiveCamera, p: THREE.Vector3): Place {
    const depth = Math.max(camera.near, -p.clone().applyMatrix4(camera.matrixWorldInverse).z);
    const q = p.project(camera);
    const { width, height } = this.canvas;
    return { x: ((q.x + 1) / 2) * width, y: ((1 - q.y) / 2) * height, scale: height / (2 * Math.tan((camera.fov * Math.PI) / 360) * depth) };
  }

  /** As thick as the body is where it is, and wider by `more` px either way. */
  private strokes(places: Place[], radius_mm: number, colour: string, more: number) {
    for (let i = 0; i + 1 < places.length; i += kPerStroke) {
      const part = places.slice(i, i + kPerStroke + 1);
      this.line(part, 2 * (radius_mm * part[part.length >> 1].scale + more), colour);
    }
  }

  private line(places: Place[], width: number, colour: string) {
    const { pen } = this;
    pen.beginPath();
    for (const { x, y } of places) pen.lineTo(x, y);
    pen.lineWidth = width;
    pen.lineJoin = 'round';
    pen.strokeStyle = this.colour(colour);
    pen.stroke();
  }
}

function stations(from: number, to: number): number[] {
  const count = Math.max(1, Math.ceil((to - from) / kStep_mm));
  return Array.from({ length: count + 1 }, (_, i) => from + ((to - from) * i) / count);
}
