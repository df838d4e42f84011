// SPDX-License-Identifier: GPL-3.0-or-later
// The picture: one canvas behind all panes, one eye for all of them, drawn only when something has changed.

import * as THREE from 'three';
import { OrbitControls } from 'three/examples/jsm/controls/OrbitControls.js';
import { h } from '../dom.ts';
import { ChannelView, type Cut } from './channel.ts';
import type { Track } from '../playback.ts';
import { AxesView } from './axes.ts';
import type { Pane } from './pane.ts';

/** Directions of a first view: across the channel's flattest side, the entry on the left. */
interface ViewFrame {
  right: THREE.Vector3;
  up: THREE.Vector3;
  toEye: THREE.Vector3;
}

/** Up to this width of the window panes stand one below the other (style.css). */
const kNarrow_px = 700;
/** Nearer than this the eye need not go to see a segment of a few millimetres. */
const kNearest_mm = 10;
/** Dots of a still for each px of the layout: about 250 to the inch on A4. */
const kPaperPixelRatio = 2.5;

export class Stage {
  readonly element: HTMLElement;
  cut: Cut = 'open';
  labelled = true;
  private readonly canvas = h('canvas', { class: 'stage-canvas', 'aria-hidden': 'true' });
  private readonly renderer: THREE.WebGLRenderer;
  private readonly scene = new THREE.Scene();
  private readonly eye = new THREE.PerspectiveCamera(28, 1, 1, 5000);
  private readonly controls: OrbitControls;
  private readonly frame: ViewFrame;
  private readonly axes: AxesView;
  private readonly light = new THREE.DirectionalLight(0xffffff, 2.2);
  private sectionDirection = new THREE.Vector3(0, 0, 1);
  private sectionShare = 0.5;
  private touched = false;
  private waiting = false;
  private sized = false;

  /** Throws where the browser has no WebGL. */
  constructor(
    readonly channel: ChannelView,
    readonly panes: Pane[],
    private readonly entry_S: THREE.Vector3,
    private readonly target_S: THREE.Vector3,
  ) {
    const weak = drawsInSoftware();
    this.renderer = new THREE.WebGLRenderer({ canvas: this.canvas, antialias: !weak, alpha: true });
    this.renderer.localClippingEnabled = true;
    this.renderer.setPixelRatio(weak ? 1 : Math.min(2, window.devicePixelRatio));
    this.element = h('div', { class: `stage panes-${panes.length}`, tabindex: 0 }, this.canvas, ...panes.map((p) => p.element));
    this.scene.add(channel.group, new THREE.HemisphereLight(0xffffff, 0x8a8f98, 1.6), this.light);
    this.axes = new AxesView(channel.box);
    this.scene.add(this.axes.group);
    for (const pane of panes) this.scene.add(pane.group);
    this.controls = new OrbitControls(this.eye, this.element);
    this.controls.enableZoom = false;
    this.controls.addEventListener('change', () => this.redraw());
    this.controls.addEventListener('start', () => (this.touched = true));
    // The wheel scrolls the page until the picture has been clicked or tabbed into.
    this.element.addEventListener('focusin', () => (this.controls.enableZoom = true));
    this.element.addEventListener('focusout', () => (this.controls.enableZoom = false));
    this.element.addEventListener('pointerdown', () => this.element.focus({ preventScroll: true }));
    this.frame = this.firstView();
    new ResizeObserver(() => this.resize()).observe(this.element);
  }

  /** Principal directions of the wall: the longest across the page, the shortest towards the eye. */
  private firstView(): ViewFrame {
    const [right, up] = principalDirections(this.channel.vertices);
    const way = this.target_S.clone().sub(this.entry_S);
    if (way.dot(right) < 0) right.negate();
    if (way.dot(up) < 0) up.negate();
    return { right, up, toEye: right.clone().cross(up).normalize() };
  }

  applyTheme() {
    this.channel.applyTheme();
    this.axes.applyTheme();
    for (const pane of this.panes) pane.applyTheme();
    this.redraw();
  }

  setTime(time: number) {
    for (const pane of this.panes) pane.setTime(time);
    this.redraw();
  }

  /** Which of the plans' elastic ways is shown; -1: none, the ideal body. */
  setWay(index: number) {
    for (const pane of this.panes) pane.setWay(pane.track.entry.elastic?.[index] ?? null);
    this.redraw();
  }

  setCut(cut: Cut) {
    this.cut = cut;
    this.channel.setCut(cut);
    if (cut === 'section') {
      this.eye.getWorldDirection(this.sectionDirection);
      this.setSection(this.sectionShare);
    }
    this.redraw();
  }

  /** Where the section lies: 0 nearest the eye, 1 farthest. */
  setSection(share: number) {
    this.sectionShare = share;
    const [low, high] = this.channel.extent(this.sectionDirection);
    this.channel.setSection(this.sectionDirection, low + share * (high - low));
    this.redraw();
  }

  setLabelled(on: boolean) {
    this.labelled = on;
    this.redraw();
  }

  /** The first view: the whole channel, as large as the panes allow. */
  fit() {
    this.touched = false;
    this.hold(this.outline());
  }

  /** As near as shows all of the segment that is past the entry, and the target, in every pane. */
  fitSegment() {
    this.touched = true;
    const inside = this.panes.flatMap((pane) => pane.insidePoints());
    this.hold([this.target_S, ...(inside.length > 0 ? inside : [this.entry_S])]);
  }

  /** The eye of the first view, so far off that the points fit. */
  private hold(points: THREE.Vector3[]) {
    const { up } = this.frame;
    const direction = this.firstDirection();
    const centre = new THREE.Box3().setFromPoints(points).getCenter(new THREE.Vector3());
    this.look(centre, direction, up, Math.max(this.distanceFor(points, centre, direction, up), kNearest_mm));
  }

  private firstDirection(): THREE.Vector3 {
    const { right, up, toEye } = this.frame;
    return toEye.clone().addScaledVector(up, 0.35).addScaledVector(right, 0.12).normalize();
  }

  /** Lays the panes out in as many columns as show the channel largest. */
  private layPanes() {
    const { clientWidth, clientHeight, style } = this.element;
    const count = this.panes.length;
    style.gridTemplateColumns = style.gridTemplateRows = '';
    if (count === 1 || window.innerWidth <= kNarrow_px) return;
    const corners = this.outline();
    const extent = (along: THREE.Vector3) => {
      const values = corners.map((p) => p.dot(along));
      return Math.max(...values) - Math.min(...values) || 1;
    };
    const [wide, tall] = [extent(this.frame.right), extent(this.frame.up)];
    const size = (columns: number) => Math.min(clientWidth / columns / wide, clientHeight / Math.ceil(count / columns) / tall);
    let best = 1;
    for (let columns = 2; columns <= count; ++columns) if (size(columns) > size(best)) best = columns;
    style.gridTemplateColumns = `repeat(${best}, minmax(0, 1fr))`;
    style.gridTemplateRows = `repeat(${Math.ceil(count / best)}, minmax(0, 1fr))`;
  }

  /** Goes close to a gap, turned no more than it takes to see the gap from the side. */
  private approach(from: THREE.Vector3, to: THREE.Vector3, distance: number) {
    this.touched = true;
    const along = to.clone().sub(from).normalize();
    const direction = this.eye.position.clone().sub(this.controls.target).normalize();
    direction.addScaledVector(along, -direction.dot(along));
    if (direction.length() < 0.1) direction.copy(this.frame.up).cross(along);
    this.look(to, direction.normalize(), this.frame.up, distance);
  }

  /** Goes to where a track's body is nearest the wall at the time that is shown. */
  approachGap(track: Track) {
    const ends = this.panes.find((p) => p.track === track)?.gapEnds();
    if (ends) this.approach(ends[0], ends[1], 0.3 * this.channel.box.getSize(new THREE.Vector3()).length() + 20 * track.entry.design.radius_mm);
  }

  orbit(rightTurns: number, upTurns: number) {
    this.touched = true;
    const offset = this.eye.position.clone().sub(this.controls.target);
    const side = this.eye.up.clone().cross(offset).normalize();
    offset.applyAxisAngle(this.eye.up, rightTurns * 2 * Math.PI);
    const tilted = offset.clone().applyAxisAngle(side, upTurns * 2 * Math.PI);
    // Never over the pole, where left and right would change places.
    if (Math.abs(tilted.clone().normalize().dot(this.eye.up)) < 0.995) offset.copy(tilted);
    this.eye.position.copy(this.controls.target).add(offset);
    this.controls.update();
    this.redraw();
  }

  zoom(factor: number) {
    this.touched = true;
    this.eye.position.sub(this.controls.target).multiplyScalar(factor).add(this.controls.target);
    this.controls.update();
    this.redraw();
  }

  private look(target: THREE.Vector3, toEye: THREE.Vector3, up: THREE.Vector3, distance: number) {
    this.eye.up.copy(up);
    this.eye.position.copy(target).addScaledVector(toEye, distance);
    this.controls.target.copy(target);
    this.controls.update();
    this.redraw();
  }

  /** Some of the wall's vertices, the target, and a stretch of the axis before the entry. */
  private outline(): THREE.Vector3[] {
    const v = this.channel.vertices;
    const step = 3 * Math.max(1, Math.floor(v.length / 3 / 2000));
    const points = [this.target_S];
    for (let i = 0; i < v.length; i += step) points.push(new THREE.Vector3(v[i], v[i + 1], v[i + 2]));
    return points;
  }

  private distanceFor(points: THREE.Vector3[], centre: THREE.Vector3, toEye: THREE.Vector3, up: THREE.Vector3): number {
    const right = up.clone().cross(toEye).normalize();
    const above = toEye.clone().cross(right);
    const tall = Math.tan((this.eye.fov * Math.PI) / 360);
    const wide = tall * Math.min(...this.panes.map((p) => p.camera.aspect));
    let distance = 0;
    for (const point of points) {
      const d = point.clone().sub(centre);
      const nearer = d.dot(toEye);
      distance = Math.max(distance, Math.abs(d.dot(right)) / wide + nearer, Math.abs(d.dot(above)) / tall + nearer);
    }
    return 1.12 * distance;
  }

  private resize() {
    const { clientWidth, clientHeight } = this.element;
    if (clientWidth === 0 || clientHeight === 0) return;
    this.renderer.setSize(clientWidth, clientHeight, false);
    this.layPanes();
    for (const pane of this.panes) pane.camera.aspect = pane.element.clientWidth / Math.max(1, pane.element.clientHeight);
    this.sized = true;
    if (!this.touched) this.fit();
    this.draw();
  }

  redraw() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.draw();
    });
  }

  private draw() {
    if (!this.sized) return;
    const height = this.element.clientHeight;
    this.renderer.setScissorTest(false);
    this.renderer.clear();
    this.renderer.setScissorTest(true);
    for (const pane of this.panes) {
      const { offsetLeft, offsetTop, clientWidth, clientHeight } = pane.element;
      const bottom = height - offsetTop - clientHeight;
      this.renderer.setViewport(offsetLeft, bottom, clientWidth, clientHeight);
      this.renderer.setScissor(offsetLeft, bottom, clientWidth, clientHeight);
      this.drawPane(pane);
    }
  }

  private drawPane(pane: Pane) {
    for (const other of this.panes) other.group.visible = other === pane;
    const distance = this.eye.position.distanceTo(this.controls.target);
    const reach = this.channel.box.getSize(new THREE.Vector3()).length() + distance;
    pane.camera.position.copy(this.eye.position);
    pane.camera.quaternion.copy(this.eye.quaternion);
    pane.camera.near = Math.max(0.5, distance * 0.02);
    pane.camera.far = 4 * reach;
    pane.camera.updateProjectionMatrix();
    pane.camera.updateMatrixWorld();
    this.light.position.copy(this.eye.position).addScaledVector(this.eye.up, 0.5 * distance);
    this.axes.face(pane.camera, pane.element.clientHeight);
    pane.arrange(this.labelled, this.controls.target, this.axes.marks);
    this.renderer.render(this.scene, pane.camera);
  }

  /** Runs `take` with the picture at a size and fineness fit for paper, then gives it back as it was. */
  forPaper<T>(width: number, height: number, take: () => T): T {
    const { cssText } = this.element.style;
    const ratio = this.renderer.getPixelRatio();
    this.element.style.cssText = `${cssText}; flex: none; width: ${width}px; height: ${height}px; min-height: 0`;
    this.renderer.setPixelRatio(kPaperPixelRatio);
    this.resize();
    try {
      return take();
    } finally {
      this.element.style.cssText = cssText;
      this.renderer.setPixelRatio(ratio);
      this.resize();
    }
  }

  /** The picture as it stands, with its labels, for paper. */
  still(): HTMLElement {
    this.draw();
    const image = h('img', { src: this.canvas.toDataURL('image/png'), alt: '' });
    const { clientWidth, clientHeight } = this.element;
    const still = h('div', { class: 'still-picture', style: `aspect-ratio: ${clientWidth} / ${clientHeight}` }, image);
    for (const pane of this.panes) {
      const { offsetLeft, offsetTop, clientWidth: w, clientHeight: t } = pane.element;
      const copy = pane.element.cloneNode(true) as HTMLElement;
      const percent = (part: number, whole: number) => `${(100 * part) / whole}%`;
      copy.style.cssText = `position:absolute; left:${percent(offsetLeft, clientWidth)}; top:${percent(offsetTop, clientHeight)}; width:${percent(w, clientWidth)}; height:${percent(t, clientHeight)}`;
      still.append(copy);
    }
    return still;
  }
}

/** Does the browser draw WebGL on the processor? Then smoothed edges cost more than they are worth. */
function drawsInSoftware(): boolean {
  const gl = document.createElement('canvas').getContext('webgl2');
  const info = gl?.getExtension('WEBGL_debug_renderer_info');
  const name = gl && info ? String(gl.getParameter(info.UNMASKED_RENDERER_WEBGL)) : '';
  gl?.getExtension('WEBGL_lose_context')?.loseContext();
  return /swiftshader|llvmpipe|software/i.test(name);
}

/** The two longest principal directions of a cloud of points (Jacobi's method on its 3 x 3 covariance). */
function principalDirections(v: Float32Array): [THREE.Vector3, THREE.Vector3] {
  const n = v.length / 3;
  const mean = [0, 0, 0];
  for (let i = 0; i < v.length; ++i) mean[i % 3] += v[i] / n;
  const C = [0, 1, 2].map(() => [0, 0, 0]);
  for (let i = 0; i < v.length; i += 3)
    for (let a = 0; a < 3; ++a) for (let b = 0; b < 3; ++b) C[a][b] += (v[i + a] - mean[a]) * (v[i + b] - mean[b]);
  const V: number[][] = [0, 1, 2].map((i) => [0, 1, 2].map((j) => (i === j ? 1 : 0)));
  for (let sweep = 0; sweep < 24; ++sweep)
    for (const [p, q] of [
      [0, 1],
      [0, 2],
      [1, 2],
    ]) {
      if (Math.abs(C[p][q]) < 1e-12) continue;
      const angle = 0.5 * Math.atan2(2 * C[p][q], C[q][q] - C[p][p]);
      const c = Math.cos(angle);
      const t = Math.sin(angle);
      for (let k = 0; k < 3; ++k) [C[k][p], C[k][q]] = [c * C[k][p] - t * C[k][q], t * C[k][p] + c * C[k][q]];
      for (let k = 0; k < 3; ++k) [C[p][k], C[q][k]] = [c * C[p][k] - t * C[q][k], t * C[p][k] + c * C[q][k]];
      for (let k = 0; k < 3; ++k) [V[k][p], V[k][q]] = [c * V[k][p] - t * V[k][q], t * V[k][p] + c * V[k][q]];
    }
  const order = [0, 1, 2].sort((a, b) => C[b][b] - C[a][a]);
  return [order[0], order[1]].map((k) => new THREE.Vector3(V[0][k], V[1][k], V[2][k])) as [THREE.Vector3, THREE.Vector3];
}
