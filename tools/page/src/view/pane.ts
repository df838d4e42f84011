// SPDX-License-Identifier: GPL-3.0-or-later
// One plan's picture: its body, marks and labels, over the channel that all panes share.

import * as THREE from 'three';
import type { ElasticWay, PlanEntry, SceneFacts } from '../data.ts';
import { h } from '../dom.ts';
import { Shape, bend, type BodyState, type Vec3 } from '../kinematics.ts';
import type { Moment, Track } from '../playback.ts';
import { verdictSign } from '../signs.ts';
import { degrees, lockCount, nearestWords, quantity, verdictWord } from '../words.ts';
import { scaleBar, type AxisMark } from './axes.ts';
import { BodyView } from './body.ts';
import { LabelLayer, type Label } from './labels.ts';
import { EntryView, FieldView, GapView, StopView, TargetView, TipPathView } from './marks.ts';

const kPathSamples = 12;
const kBodyPoints = 24;

const vector = (v: Vec3) => new THREE.Vector3(v[0], v[1], v[2]);

export class Pane {
  readonly element: HTMLElement;
  readonly group = new THREE.Group();
  readonly camera = new THREE.PerspectiveCamera(28, 1, 1, 5000);
  private readonly X_SE: THREE.Matrix4;
  private readonly body: BodyView;
  /** The ideal body's outline, shown beside an elastic one. */
  private readonly ideal: BodyView;
  private way: ElasticWay | null = null;
  private readonly target: TargetView;
  private readonly entry: EntryView;
  private readonly path: TipPathView;
  private readonly stop: StopView | null;
  private readonly gap = new GapView();
  private readonly field = new FieldView();
  private readonly labels = new LabelLayer();
  private readonly heading: HTMLElement | null;
  private moment: Moment;

  constructor(
    readonly track: Track,
    private readonly scene: SceneFacts,
    titled: boolean,
  ) {
    const { R, p } = scene.entry;
    this.X_SE = new THREE.Matrix4().set(R[0], R[1], R[2], p[0], R[3], R[4], R[5], p[1], R[6], R[7], R[8], p[2], 0, 0, 0, 1);
    this.moment = track.at(0);
    this.body = new BodyView(track.entry.design, this.moment.body);
    this.ideal = new BodyView(track.entry.design, this.moment.body, true);
    for (const body of [this.body, this.ideal]) body.group.applyMatrix4(this.X_SE);
    this.ideal.group.visible = false;
    this.target = new TargetView(scene.target);
    this.entry = new EntryView(scene);
    this.path = new TipPathView(this.tipPath(), 0.4 * track.entry.design.radius_mm);
    const { depth } = track.entry.plan;
    this.stop = depth?.stops_short ? new StopView(depth.place_mm, 1.2 * track.entry.design.radius_mm) : null;
    if (this.stop) this.group.add(this.stop.group);
    this.group.add(this.body.group, this.ideal.group, this.target.group, this.entry.group, this.path.line, this.gap.group, this.field.group);
    this.heading = titled ? this.title(track.entry) : null;
    this.element = h('div', { class: 'pane' }, this.heading, this.labels.svg);
  }

  private title(entry: PlanEntry): HTMLElement {
    const { plan } = entry;
    const nearest = nearestWords(entry, this.scene);
    const verdict = `${lockCount(plan.locks)}: ${verdictWord[plan.verdict].toLowerCase()}`;
    return h('div', { class: `pane-title ${plan.verdict}` }, verdictSign(plan.verdict), h('span', {}, verdict, nearest === '' ? null : h('small', {}, `, ${nearest}`)));
  }

  private tip(state: BodyState): Vec3 {
    const p = vector(new Shape(this.track.entry.design, state).tip().p).applyMatrix4(this.X_SE);
    return [p.x, p.y, p.z];
  }

  private tipPath(): Vec3[] {
    const points: Vec3[] = [];
    this.track.actions.forEach((action, k) => {
      if (action.leg === 'out' || action.kind === 'lock' || action.kind === 'unlock') return;
      for (let i = 0; i <= kPathSamples; ++i) {
        const start = this.track.start[k];
        // Just short of the seam, where the next action would begin.
        const share = Math.min(i / kPathSamples, 1 - 1e-9);
        points.push(this.tip(this.track.at(start + share * (this.track.start[k + 1] - start)).body));
      }
    });
    return points.length > 1 ? points : [this.tip(this.moment.body), this.tip(this.moment.body)];
  }

  /** Points of the body that are past the entry now. */
  insidePoints(): THREE.Vector3[] {
    const L = this.track.entry.design.length_mm;
    const points = Array.from({ length: kBodyPoints + 1 }, (_, k) => vector(this.body.shape.pose((k / kBodyPoints) * L).p));
    return points.filter((p) => p.z >= 0).map((p) => p.applyMatrix4(this.X_SE));
  }

  applyTheme() {
    for (const part of [this.body, this.ideal, this.target, this.entry, this.path, this.gap, this.field]) part.applyTheme();
    this.stop?.applyTheme();
  }

  setTime(time: number) {
    this.moment = this.track.at(time);
    this.place();
  }

  /** Shows the elastic body of a way, the ideal one as an outline; null: the ideal one alone. */
  setWay(way: ElasticWay | null) {
    this.way = way;
    this.place();
  }

  private place() {
    const { body } = this.moment;
    const shape = this.way ? this.track.elasticAt(this.moment, this.way) : null;
    this.ideal.set(body);
    this.ideal.group.visible = shape !== null;
    this.body.set(body, shape ?? undefined);
  }

  /** How far the elastic tip is from the ideal one (mm); null where no elastic body is shown. */
  tipShift(): number | null {
    if (!this.ideal.group.visible) return null;
    const [a, b] = [this.body.shape.tip().p, this.ideal.shape.tip().p];
    return Math.hypot(a[0] - b[0], a[1] - b[1], a[2] - b[2]);
  }

  /** Last touches that depend on where the eye is; called before each drawing. */
  arrange(labelled: boolean, middle: THREE.Vector3, axes: AxisMark[]) {
    const eye = this.camera.position;
    const labels: Label[] = [];
    this.arrangeGap(eye, labels);
    this.arrangeField(eye, labels);
    if (labelled) this.nameParts(labels);
    if (labelled) for (const { at, text } of axes) this.label(labels, at, text, 4, 12, 'of-axis');
    const { clientWidth, clientHeight } = this.element;
    this.target.face(this.camera, clientHeight);
    const title = this.heading ? [{ x: this.heading.offsetLeft, y: this.heading.offsetTop, width: this.heading.offsetWidth, height: this.heading.offsetHeight }] : [];
    const bar = scaleBar(this.camera, middle, clientHeight);
    this.labels.draw(labels, clientWidth, clientHeight, [bar.element], [bar.place, ...title]);
  }

  private project(p: THREE.Vector3): [number, number] {
    const q = p.clone().project(this.camera);
    return [((q.x + 1) / 2) * this.element.clientWidth, ((1 - q.y) / 2) * this.element.clientHeight];
  }

  private label(labels: Label[], at: THREE.Vector3, text: string, dx: number, dy: number, kind: string) {
    const [x, y] = this.project(at);
    labels.push({ text, x, y, dx, dy, kind });
  }

  /** The tightest gap now: on the body's surface and on the wall. */
  gapEnds(): [THREE.Vector3, THREE.Vector3] | null {
    const gap = this.track.gapAt(this.moment);
    if (!gap) return null;
    const centre = vector(this.ideal.shape.pose(gap.station_mm).p).applyMatrix4(this.X_SE);
    const wall = vector(gap.wall_S);
    const out = wall.clone().sub(centre);
    return [centre.addScaledVector(out, Math.max(0, 1 - gap.clearance_mm / out.length())), wall];
  }

  private arrangeGap(eye: THREE.Vector3, labels: Label[]) {
    const gap = this.track.gapAt(this.moment);
    const ends = this.gapEnds();
    this.gap.group.visible = ends !== null;
    if (!gap || !ends) return;
    const [surface, wall] = ends;
    const tick = 0.008 * eye.distanceTo(wall);
    this.gap.set(surface, wall, eye.clone().sub(wall).normalize(), tick);
    this.label(labels, wall, `gap ${quantity(gap.clearance_mm, 'mm')}`, 16, 30, 'of-gap');
  }

  private arrangeField(eye: THREE.Vector3, labels: Label[]) {
    const action = this.track.actions[this.moment.action];
    const field = action?.field_mT;
    this.field.group.visible = Boolean(field) && action.lock !== undefined;
    if (!field || action.lock === undefined) return;
    const station = this.track.entry.design.station_mm[action.lock - 1];
    const at = vector(this.body.shape.pose(station).p).applyMatrix4(this.X_SE);
    const strength = vector(field);
    const head = this.field.set(at, strength, 0.1 * eye.distanceTo(at), eye.clone().sub(at).normalize());
    this.label(labels, head, `field ${quantity(strength.length(), 'mT', 1)}`, 8, -8, 'of-field');
  }

  private nameParts(labels: Label[]) {
    const { design } = this.track.entry;
    const { body } = this.moment;
    const at = (station: number) => vector(this.body.shape.pose(station).p).applyMatrix4(this.X_SE);
    design.station_mm.forEach((station, i) => {
      this.label(labels, at(station), `lock ${i + 1} ${body.locked[i] ? 'held ■' : 'open □'}`, 14, -24, 'of-lock');
    });
    body.regions.forEach((region, i) => {
      const free = i === body.regions.length - 1;
      const theta = bend(design, region, body.insertion_mm);
      const angle = quantity(degrees(Math.hypot(theta[0], theta[1])), '°', 0);
      const middle = free ? region.from_mm + 0.6 * (region.to_mm - region.from_mm) : (region.from_mm + region.to_mm) / 2;
      const text = free ? `free ${angle}` : `frozen ${angle}`;
      this.label(labels, at(middle), text, -14, -24, free ? 'of-free' : 'of-frozen');
    });
    const shift = this.tipShift();
    if (shift !== null) this.label(labels, at(design.length_mm), `${quantity(shift, 'mm')} off the ideal tip`, 22, 30, 'of-elastic');
    const t = this.scene.target;
    this.label(labels, vector(t.point_mm), `target ± ${quantity(t.tolerance_mm, 'mm', 1)}`, 22, -30, 'of-target');
    const { depth } = this.track.entry.plan;
    if (depth?.stops_short && depth.at_most_mm !== null)
      this.label(labels, vector(depth.place_mm), `no tip gets past ${quantity(depth.at_most_mm, 'mm', 1)} deep`, -22, -30, 'of-gap');
    this.label(labels, vector(this.scene.entry.p), 'entry', -16, 34, 'of-entry');
  }
}
