// SPDX-License-Identifier: GPL-3.0-or-later
// The picture of the bench: channel, middle lines, openings, target, body; and what can be taken hold of in it: the target, its
// direction, the openings. Drawn only when something has changed.

import * as THREE from 'three';
import { OrbitControls } from 'three/examples/jsm/controls/OrbitControls.js';
import { LineMaterial } from 'three/examples/jsm/lines/LineMaterial.js';
import { LineSegments2 } from 'three/examples/jsm/lines/LineSegments2.js';
import { LineSegmentsGeometry } from 'three/examples/jsm/lines/LineSegmentsGeometry.js';
import { floats, type SceneFacts } from '../data.ts';
import { h, tone } from '../dom.ts';
import type { BodyState, Design, Vec3 } from '../kinematics.ts';
import { AxesView, scaleBar } from '../view/axes.ts';
import { BodyView } from '../view/body.ts';
import { ChannelView, type Cut } from '../view/channel.ts';
import { LabelLayer, type Label } from '../view/labels.ts';
import { EntryView, GapView, TargetView } from '../view/marks.ts';
import { quantity } from '../words.ts';
import { gapWord, type Centreline, type HandFigures, type LiveChannel } from './api.ts';
import { BodySketch } from './sketch.ts';

/** How near a pointer must come to take hold of something, px. */
const kGrasp = 16;
/** A body that was only sketched is drawn once it has not moved for so long, ms, and for some times as long as it took between moves. */
const kRest = 300;
const kRestLongest = 2000;
const kRestMoves = 4;
/** How often the labels follow it meanwhile, ms. */
const kLabels = 100;

/**
 * Is the picture drawn without a graphics processor? Smoothed edges then take most of a frame (1.2 s of 895 x 376 pixels on two
 * busy cores with them, 0.35 s without), and a drag lags behind the hand. So edges stay rough, and a body that is driven is sketched.
 */
function drawnInSoftware(): boolean {
  const probe = document.createElement('canvas').getContext('webgl2');
  const names = probe?.getExtension('WEBGL_debug_renderer_info');
  const name = names ? String(probe?.getParameter(names.UNMASKED_RENDERER_WEBGL)) : '';
  probe?.getExtension('WEBGL_lose_context')?.loseContext();
  return /swiftshader|llvmpipe|softpipe|software|basic render/i.test(name);
}

export interface ViewDeeds {
  /** The target is dragged; `gesture` is the same for one drag. */
  target(point: Vec3, gesture: string): void;
  direction(direction: Vec3, gesture: string): void;
  enter(opening: number): void;
}

const vector = (v: Vec3) => new THREE.Vector3(v[0], v[1], v[2]);
const list = (v: THREE.Vector3): Vec3 => [v.x, v.y, v.z];

function state(figures: HandFigures['state']): BodyState {
  return { insertion_mm: figures.insertion_mm, locked: figures.locked, regions: figures.regions.map((r) => ({ from_mm: r.from_mm, to_mm: r.to_mm, u: r.curvature_per_mm })) };
}

export class BenchView {
  readonly element: HTMLElement;
  private readonly canvas = h('canvas', { class: 'bench-canvas', 'aria-hidden': 'true' });
  private readonly labels = new LabelLayer();
  private readonly doors = h('div', { class: 'doors' });
  private readonly renderer: THREE.WebGLRenderer;
  private readonly world = new THREE.Scene();
  private readonly camera = new THREE.PerspectiveCamera(28, 1, 1, 5000);
  private readonly controls: OrbitControls;
  private readonly light = new THREE.DirectionalLight(0xffffff, 2.2);
  private readonly lineMaterial = new LineMaterial({ linewidth: 1.5, dashed: false });
  private readonly handleMaterial = new LineMaterial({ linewidth: 3, depthTest: false });
  private readonly gap = new GapView();
  private channel: ChannelView | null = null;
  private axes: AxesView | null = null;
  private openings: LiveChannel['openings'] = [];
  private lines: LineSegments2 | null = null;
  private handle: LineSegments2 | null = null;
  private target: TargetView | null = null;
  private entry: EntryView | null = null;
  private body: BodyView | null = null;
  private facts: SceneFacts | null = null;
  private shape: BodyState | null = null;
  private clearance: HandFigures['clearance'] = null;
  private waiting = false;
  /** Where no graphics processor draws. */
  private readonly sketch = drawnInSoftware() ? new BodySketch() : null;
  /** The picture stands without the body, which is sketched over it. */
  private sketching = false;
  /** Nothing but the body has changed since the last drawing. */
  private onlyBody = false;
  private rest = 0;
  private moved = 0;
  private labelled = 0;
  drawings = 0;
  /** The eye was moved by hand; else it follows the window's size. */
  private touched = false;
  /** The eye is where the channel is seen whole. */
  private fitted = false;
  private gestures = 0;

  constructor(private readonly deeds: ViewDeeds) {
    this.renderer = new THREE.WebGLRenderer({ canvas: this.canvas, antialias: !this.sketch, alpha: true });
    this.renderer.localClippingEnabled = true;
    this.renderer.setPixelRatio(Math.min(2, window.devicePixelRatio));
    this.element = h('div', { class: 'bench-view', tabindex: 0, role: 'group', 'aria-label': 'Picture of the channel. Drag to turn it; drag the target to move it.' }, this.canvas, this.sketch?.canvas ?? null, this.labels.svg, this.doors);
    this.world.add(new THREE.HemisphereLight(0xffffff, 0x8a8f98, 1.6), this.light, this.gap.group);
    this.controls = new OrbitControls(this.camera, this.element);
    this.controls.addEventListener('change', () => this.redraw());
    this.controls.addEventListener('start', () => (this.touched = true));
    this.element.addEventListener('pointerdown', (event) => this.grasp(event), { capture: true });
    new ResizeObserver(() => this.resize()).observe(this.element);
  }

  /** The eye goes to it with the scene that is set next: which way in is left to right stands there. */
  setChannel(facts: LiveChannel) {
    if (this.channel) {
      this.world.remove(this.channel.group);
      this.channel.dispose();
    }
    if (this.axes) this.world.remove(this.axes.group);
    this.channel = new ChannelView(facts);
    this.channel.setCut('open');
    this.channel.applyTheme();
    this.openings = facts.openings;
    this.axes = new AxesView(this.channel.box);
    this.axes.applyTheme();
    this.world.add(this.channel.group, this.axes.group);
    if (this.lines) this.world.remove(this.lines);
    this.lines = null;
    this.buildDoors();
    this.fitted = false;
  }

  setCentreline(facts: Centreline) {
    const ends: number[] = [];
    for (const { points_mm } of facts.branches) for (let i = 1; i < points_mm.length; ++i) ends.push(...points_mm[i - 1], ...points_mm[i]);
    if (this.lines) this.world.remove(this.lines);
    this.lines = null;
    if (ends.length > 0) {
      this.lines = new LineSegments2(new LineSegmentsGeometry().setPositions(ends), this.lineMaterial);
      this.world.add(this.lines);
    }
    this.channel?.setRoom(floats(facts.room_mm));
    this.redraw();
  }

  setScene(facts: SceneFacts, design: Design | null) {
    this.facts = facts;
    for (const part of [this.target?.group, this.entry?.group, this.handle]) if (part) this.world.remove(part);
    this.target = new TargetView(facts.target);
    this.entry = new EntryView(facts);
    this.handle = this.directionHandle(facts);
    this.world.add(this.target.group, this.entry.group);
    if (this.handle) this.world.add(this.handle);
    if (design) this.setDesign(design);
    if (!this.fitted) this.fit();
    this.applyTheme();
  }

  private setDesign(design: Design) {
    const same = this.body && JSON.stringify(this.body.design) === JSON.stringify(design);
    if (!same) {
      if (this.body) this.world.remove(this.body.group);
      const straight: BodyState = { insertion_mm: 0, locked: design.station_mm.map(() => false), regions: [{ from_mm: 0, to_mm: design.length_mm, u: [0, 0] }] };
      this.body = new BodyView(design, straight);
      this.shape = straight;
      this.world.add(this.body.group);
    }
    const { R, p } = (this.facts as SceneFacts).entry;
    const X_SE = new THREE.Matrix4().set(R[0], R[1], R[2], p[0], R[3], R[4], R[5], p[1], R[6], R[7], R[8], p[2], 0, 0, 0, 1);
    const group = (this.body as BodyView).group;
    group.matrixAutoUpdate = false;
    group.matrix.copy(X_SE);
    group.updateMatrixWorld(true);
    this.channel?.setNeed(design.radius_mm + (this.facts as SceneFacts).required_clearance_mm);
  }

  /** The body in the state that the hand has it in. */
  showHand(figures: HandFigures) {
    this.clearance = figures.clearance;
    this.showBody(state(figures.state));
  }

  showBody(body: BodyState, clearance: HandFigures['clearance'] | undefined = undefined) {
    if (clearance !== undefined) this.clearance = clearance;
    if (!this.body || body.locked.length !== this.body.design.station_mm.length) return;
    this.shape = body;
    this.body.set(body);
    this.redraw(this.sketch !== null);
  }

  private directionLength(): number {
    return 5 * Math.max(2, this.facts?.target.tolerance_mm ?? 2);
  }

  private directionTip(): THREE.Vector3 | null {
    const target = this.facts?.target;
    if (!target?.direction) return null;
    return vector(target.point_mm).addScaledVector(vector(target.direction), this.directionLength());
  }

  private directionHandle(facts: SceneFacts): LineSegments2 | null {
    const tip = this.directionTip();
    if (!tip || !facts.target.direction) return null;
    const from = vector(facts.target.point_mm);
    const along = vector(facts.target.direction);
    const across = new THREE.Vector3(along.y, along.z, along.x).cross(along).normalize();
    const barb = (side: number) => tip.clone().addScaledVector(along, -0.25 * this.directionLength()).addScaledVector(across, side * 0.12 * this.directionLength());
    const ends = [from, tip, tip, barb(1), tip, barb(-1)].flatMap(list);
    const handle = new LineSegments2(new LineSegmentsGeometry().setPositions(ends), this.handleMaterial);
    handle.renderOrder = 8;
    return handle;
  }

  private buildDoors() {
    this.doors.replaceChildren(
      ...this.openings.map((opening, i) =>
        h('button', { type: 'button', class: 'door', id: `opening-${i + 1}`, 'aria-label': opening.is_entry ? `opening ${i + 1}, the entry` : `enter by opening ${i + 1}`, onclick: () => this.deeds.enter(i + 1) }, opening.is_entry ? 'entry' : `opening ${i + 1}`),
      ),
    );
  }

  private project(p: THREE.Vector3): [number, number] {
    const q = p.clone().project(this.camera);
    return [((q.x + 1) / 2) * this.element.clientWidth, ((1 - q.y) / 2) * this.element.clientHeight];
  }

  /** Where a point is on the screen, for whoever wants to take hold of it. */
  placeOf(what: 'target' | 'direction'): [number, number] | null {
    const tip = what === 'direction' ? this.directionTip() : this.facts ? vector(this.facts.target.point_mm) : null;
    if (!tip) return null;
    const [x, y] = this.project(tip);
    const box = this.element.getBoundingClientRect();
    return [box.left + x, box.top + y];
  }

  private grasp(event: PointerEvent) {
    if (event.button !== 0 || (event.target as Element).closest('.door')) return;
    const near = (place: [number, number] | null) => place !== null && Math.hypot(place[0] - event.clientX, place[1] - event.clientY) < kGrasp;
    const what = near(this.placeOf('direction')) ? 'direction' : near(this.placeOf('target')) ? 'target' : null;
    if (!what || !this.facts) return;
    event.stopImmediatePropagation();
    event.preventDefault();
    const centre = vector(this.facts.target.point_mm);
    const held = what === 'direction' ? (this.directionTip() as THREE.Vector3) : centre;
    const plane = new THREE.Plane().setFromNormalAndCoplanarPoint(this.camera.getWorldDirection(new THREE.Vector3()), held);
    const gesture = `${what} ${++this.gestures} ${Date.now()}`;
    const move = (e: PointerEvent) => {
      const at = this.onPlane(e, plane);
      if (!at) return;
      if (what === 'target') this.deeds.target(list(at), gesture);
      else if (at.distanceTo(centre) > 1e-6) this.deeds.direction(list(at.sub(centre).normalize()), gesture);
    };
    const stop = () => {
      window.removeEventListener('pointermove', move);
      this.element.classList.remove('holding');
    };
    this.element.classList.add('holding');
    window.addEventListener('pointermove', move);
    window.addEventListener('pointerup', stop, { once: true });
    window.addEventListener('pointercancel', stop, { once: true });
  }

  private onPlane(event: PointerEvent, plane: THREE.Plane): THREE.Vector3 | null {
    const box = this.element.getBoundingClientRect();
    const at = new THREE.Vector2((2 * (event.clientX - box.left)) / box.width - 1, 1 - (2 * (event.clientY - box.top)) / box.height);
    const ray = new THREE.Raycaster();
    ray.setFromCamera(at, this.camera);
    return ray.ray.intersectPlane(plane, new THREE.Vector3());
  }

  setCut(cut: Cut) {
    this.channel?.setCut(cut);
    if (cut === 'section' && this.channel) {
      const direction = this.camera.getWorldDirection(new THREE.Vector3());
      const [low, high] = this.channel.extent(direction);
      this.channel.setSection(direction, 0.5 * (low + high));
    }
    this.redraw();
  }

  applyTheme() {
    for (const part of [this.channel, this.axes, this.target, this.entry, this.body, this.gap]) part?.applyTheme();
    this.lineMaterial.color.set(tone('--ink-soft'));
    this.handleMaterial.color.set(tone('--target'));
    this.sketch?.applyTheme();
    this.redraw();
  }

  /** The whole channel, the way in from left to right, seen across its flatter side. */
  fit() {
    if (!this.channel || !this.facts) return;
    this.touched = false;
    this.fitted = true;
    const R = this.facts.entry.R;
    const column = (k: number) => new THREE.Vector3(R[k], R[3 + k], R[6 + k]);
    const right = column(2);
    const extent = (d: THREE.Vector3) => (this.channel as ChannelView).extent(d);
    const size = (d: THREE.Vector3) => extent(d)[1] - extent(d)[0];
    const [up, across] = size(column(0)) >= size(column(1)) ? [column(0), column(1)] : [column(1), column(0)];
    const toEye = right.clone().cross(up).normalize();
    const centre = new THREE.Vector3();
    for (const d of [right, up, across]) centre.addScaledVector(d, 0.5 * (extent(d)[0] + extent(d)[1]));
    const tall = Math.tan((this.camera.fov * Math.PI) / 360);
    const distance = 1.2 * Math.max((0.5 * size(up)) / tall, (0.5 * size(right)) / (tall * this.camera.aspect)) + 0.5 * size(across);
    this.camera.up.copy(up);
    this.camera.position.copy(centre).addScaledVector(toEye.addScaledVector(up, 0.3).normalize(), distance);
    this.controls.target.copy(centre);
    this.controls.update();
    this.redraw();
  }

  private resize() {
    const { clientWidth, clientHeight } = this.element;
    if (clientWidth === 0 || clientHeight === 0) return;
    this.renderer.setSize(clientWidth, clientHeight, false);
    this.sketch?.resize(clientWidth, clientHeight);
    this.camera.aspect = clientWidth / clientHeight;
    this.camera.updateProjectionMatrix();
    if (!this.touched && this.fitted) this.fit();
    this.redraw();
  }

  /** In the next frame; `onlyBody`: nothing else has changed, and the body may be sketched until it rests. */
  redraw(onlyBody = false) {
    this.onlyBody = onlyBody && (this.onlyBody || !this.waiting);
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      if (this.onlyBody) this.sketchBody();
      else this.draw();
    });
  }

  private sketchBody() {
    if (!this.body || !this.shape || !this.sketch) return;
    this.restLater();
    if (!this.sketching) {
      this.body.group.visible = false;
      this.draw(true);
    }
    this.sketching = true;
    this.sketch.draw(this.camera, this.body, this.shape, this.gapEnds());
    ++this.drawings;
    if (performance.now() - this.labelled > kLabels) this.write();
  }

  /** The whole picture once the body rests: on a busy machine moves come slowly, and the first one waits for the bare picture. */
  private restLater() {
    const now = performance.now();
    const between = this.sketching ? now - this.moved : kRestLongest;
    this.moved = now;
    clearTimeout(this.rest);
    this.rest = window.setTimeout(() => this.redraw(), Math.min(kRestLongest, Math.max(kRest, kRestMoves * between)));
  }

  /** `bare`: without the body. */
  private draw(bare = false) {
    if (!this.channel || this.element.clientHeight === 0) return;
    if (!bare) {
      if (this.body) this.body.group.visible = true;
      this.sketch?.clear();
      this.sketching = false;
      clearTimeout(this.rest);
    }
    const distance = this.camera.position.distanceTo(this.controls.target);
    this.camera.near = Math.max(0.2, 0.01 * distance);
    this.camera.far = 8 * distance + 4000;
    this.camera.updateProjectionMatrix();
    this.camera.updateMatrixWorld();
    this.light.position.copy(this.camera.position).addScaledVector(this.camera.up, 0.5 * distance);
    this.target?.face(this.camera, this.element.clientHeight);
    this.axes?.face(this.camera, this.element.clientHeight);
    this.markGap();
    if (bare) this.gap.group.visible = false;
    this.renderer.render(this.world, this.camera);
    this.write();
    if (!bare) ++this.drawings;
  }

  /** From the body's surface to the nearest place of the wall. */
  private gapEnds(): [THREE.Vector3, THREE.Vector3] | null {
    if (!this.clearance || !this.body || !this.shape) return null;
    const centre = vector(this.body.shape.pose(this.clearance.station_mm).p).applyMatrix4(this.body.group.matrix);
    const wall = vector(this.clearance.wall_mm);
    const out = wall.clone().sub(centre);
    return [centre.addScaledVector(out, Math.max(0, 1 - this.clearance.now_mm / out.length())), wall];
  }

  private markGap() {
    const ends = this.gapEnds();
    this.gap.group.visible = ends !== null;
    if (!ends) return;
    const eye = this.camera.position;
    const tick = (gapWord(this.clearance) === '' ? 0.008 : 0.02) * eye.distanceTo(ends[1]);
    this.gap.set(ends[0], ends[1], eye.clone().sub(ends[1]).normalize(), tick);
  }

  private write() {
    this.labelled = performance.now();
    const { clientWidth, clientHeight } = this.element;
    const labels: Label[] = [];
    const label = (at: THREE.Vector3, text: string, dx: number, dy: number, kind: string) => {
      const [x, y] = this.project(at);
      labels.push({ text, x, y, dx, dy, kind });
    };
    if (this.facts) label(vector(this.facts.target.point_mm), `target ± ${quantity(this.facts.target.tolerance_mm, 'mm', 1)}`, 22, -26, 'of-target');
    const ends = this.gapEnds();
    if (ends && this.clearance) label(ends[1], `${gapWord(this.clearance) || 'gap'} ${quantity(this.clearance.now_mm, 'mm')}`, 16, 30, 'of-gap');
    if (this.body && this.shape)
      this.body.design.station_mm.forEach((station, i) => {
        const at = vector((this.body as BodyView).shape.pose(station).p).applyMatrix4((this.body as BodyView).group.matrix);
        label(at, `${i + 1} ${this.shape?.locked[i] ? '■' : '□'}`, 10, -18, 'of-lock');
      });
    for (const { at, text } of this.axes?.marks ?? []) label(at, text, 4, 12, 'of-axis');
    const bar = scaleBar(this.camera, this.controls.target, clientHeight);
    this.labels.draw(labels, clientWidth, clientHeight, [bar.element], [bar.place]);
    this.openings.forEach((opening, i) => {
      const [x, y] = this.project(vector(opening.centre_mm).addScaledVector(vector(opening.into), -0.6 * opening.radius_mm));
      const door = this.doors.children[i] as HTMLElement;
      const inside = x > 0 && y > 0 && x < clientWidth && y < clientHeight;
      door.style.transform = `translate(${Math.round(Math.min(Math.max(30, x), clientWidth - 40))}px, ${Math.round(Math.min(Math.max(14, y), clientHeight - 14))}px) translate(-50%, -50%)`;
      door.classList.toggle('away', !inside);
    });
  }

  /** The picture as it stands, PNG. */
  picture(): string {
    this.draw();
    return this.canvas.toDataURL('image/png');
  }
}
