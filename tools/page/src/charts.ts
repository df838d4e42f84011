// SPDX-License-Identifier: GPL-3.0-or-later
// Linked plots along the plan, their limits drawn in, one moment marked on all of them.

import uPlot from 'uplot';
import type { PageData, PlanAction } from './data.ts';
import { h, s, say, tone } from './dom.ts';
import type { Clock, Track } from './playback.ts';
import { largest, lockCount, quantity } from './words.ts';

interface Line {
  name: string;
  values: (number | null)[];
  /** Drawn as a thin staircase: a bound, not a course. */
  bound?: boolean;
  /** Read at the nearest sample, as the picture's gap is; else between samples linearly, as the body is. */
  nearest?: boolean;
}

interface Limit {
  value: number;
  name: string;
}

interface Chart {
  title: string;
  unit: string;
  digits: number;
  times: number[];
  lines: Line[];
  limits: Limit[];
}

// Lines differ by dashes as well as by tone.
const kDashes = [[], [7, 4], [2, 3], [10, 3, 2, 3], [5, 2], [1, 5], [12, 4], [3, 6]];
const kTones = ['--line-1', '--line-2', '--line-3', '--line-4'];
const kHeight = 124;
// A curve below this share of its limit is shown close up, with a button that brings the limits into sight.
const kSmallShare = 0.3;

function sampleTimes(track: Track): number[] {
  return track.entry.samples.flatMap((samples, k) => samples.t.map((t) => track.start[k] + t * samples.seconds));
}

/** A value for each sample of each action, from the action's number and the share of it that is done. */
function course(track: Track, value: (action: number, t: number, index: number) => number | null): (number | null)[] {
  return track.entry.samples.flatMap((samples, k) => samples.t.map((t, i) => value(k, t, i)));
}

type StateList = 'pull_mm' | 'tension_N';

/** Tendon values: the program's own samples where it gave them, else straight between the states. */
function tendonValue(track: Track, list: StateList, tendon: number) {
  const { samples, plan } = track.entry;
  return (action: number, t: number, index: number): number | null => {
    const sampled = samples[action][list]?.[index]?.[tendon];
    if (sampled !== undefined) return sampled;
    const a = plan.states[plan.actions[action].from][list]?.[tendon];
    const b = plan.states[plan.actions[action].to][list]?.[tendon];
    return a === undefined || b === undefined ? null : a + t * (b - a);
  };
}

function tendonCount(track: Track, list: StateList): number {
  return track.entry.plan.states[0]?.[list]?.length ?? 0;
}

function fieldStrength(track: Track) {
  return (action: number, t: number): number | null => {
    const field = track.actions[action].field_mT;
    if (!field) return 0;
    return t > 0 && t < 1 ? Math.hypot(...field) : 0;
  };
}

function insertion(track: Track) {
  const { plan } = track.entry;
  return (action: number, t: number) => {
    const { from, to } = plan.actions[action];
    const a = plan.states[from].insertion_mm;
    return a + t * (plan.states[to].insertion_mm - a);
  };
}

const limit = (value: number | null, name: string): Limit[] => (value === null ? [] : [{ value, name }]);

/** What is proved of an action's clearance, its sweep included; null outside the channel. */
function verifiedBound({ clearance_mm, hunt }: PlanAction): number | null {
  const bounds = [clearance_mm, hunt?.made ? hunt.clearance_mm : null].filter((v): v is number => v !== null);
  return bounds.length > 0 ? Math.min(...bounds) : null;
}

function worst(track: Track, list: StateList) {
  const count = tendonCount(track, list);
  const each = Array.from({ length: count }, (_, k) => tendonValue(track, list, k));
  return (action: number, t: number, index: number) =>
    largest(each.map((f) => f(action, t, index)).filter((v): v is number => v !== null));
}

function chartsOfOne(track: Track, { scene }: PageData): Chart[] {
  const times = sampleTimes(track);
  const { samples, plan } = track.entry;
  const tendons = (list: StateList): Line[] =>
    Array.from({ length: tendonCount(track, list) }, (_, k) => ({ name: `${k + 1}`, values: course(track, tendonValue(track, list, k)) }));
  const charts: Chart[] = [
    {
      title: 'Clearance', unit: 'mm', digits: 2, times,
      lines: [
        { name: 'sampled', values: course(track, (k, _, i) => samples[k].clearance_mm[i]), nearest: true },
        { name: 'verified at least', values: course(track, (k) => verifiedBound(plan.actions[k])), bound: true, nearest: true },
      ],
      limits: limit(scene.required_clearance_mm, 'required'),
    },
    { title: 'Insertion', unit: 'mm', digits: 1, times, lines: [{ name: 'insertion', values: course(track, insertion(track)) }], limits: limit(scene.insertion_max_mm, 'limit') },
  ];
  const pulls = tendons('pull_mm');
  if (pulls.length > 0) {
    const stroke = scene.stroke_max_mm;
    charts.push({ title: 'Tendon pull', unit: 'mm', digits: 2, times, lines: pulls, limits: [...limit(stroke, 'limit'), ...limit(stroke === null ? null : -stroke, 'limit')] });
  }
  const tensions = tendons('tension_N');
  if (tensions.length > 0)
    charts.push({ title: 'Tendon tension', unit: 'N', digits: 2, times, lines: tensions, limits: [...limit(scene.tension_max_N, 'limit'), ...limit(scene.tension_min_N, 'least')] });
  if (plan.actions.some((a) => a.field_mT))
    charts.push({ title: 'Field', unit: 'mT', digits: 1, times, lines: [{ name: 'strength', values: course(track, fieldStrength(track)), nearest: true }], limits: limit(scene.field_max_mT, 'limit') });
  return charts;
}

/** A curve at a time: at the nearest of its samples, or between the two about it; where an action ends as another begins, of the latter. */
export function readAt(times: number[], values: (number | null)[], time: number, nearest = false): number | null {
  let low = 0;
  let high = times.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (times[middle] <= time) low = middle;
    else high = middle - 1;
  }
  const next = Math.min(low + 1, times.length - 1);
  const share = times[next] > times[low] ? Math.max(0, (time - times[low]) / (times[next] - times[low])) : 0;
  const [a, b] = [values[low], values[next]];
  if (nearest || a === null || b === null) return share > 0.5 ? b : a;
  return a + share * (b - a);
}

/** Puts a track's samples onto the times of all tracks together. */
function resample(times: number[], own: number[], values: (number | null)[]): (number | null)[] {
  let at = 0;
  return times.map((time) => {
    if (own.length === 0 || time > own[own.length - 1]) return null;
    while (at + 1 < own.length && own[at + 1] <= time) ++at;
    const a = values[at];
    const b = values[Math.min(at + 1, own.length - 1)];
    const width = (own[at + 1] ?? own[at]) - own[at];
    if (a === null || b === null || a === undefined || b === undefined || width <= 0) return a ?? null;
    return a + ((time - own[at]) / width) * (b - a);
  });
}

function chartsOfMany(tracks: Track[], { scene }: PageData): Chart[] {
  const moving = tracks.filter((t) => t.actions.length > 0);
  const times = [...new Set(moving.flatMap(sampleTimes))].sort((a, b) => a - b);
  const lines = (value: (track: Track) => (action: number, t: number, index: number) => number | null, nearest = false): Line[] =>
    moving.map((track) => ({ name: lockCount(track.entry.plan.locks), values: resample(times, sampleTimes(track), course(track, value(track))), nearest }));
  const charts: Chart[] = [
    { title: 'Clearance, sampled', unit: 'mm', digits: 2, times, lines: lines((t) => (k, _, i) => t.entry.samples[k].clearance_mm[i], true), limits: limit(scene.required_clearance_mm, 'required') },
    { title: 'Insertion', unit: 'mm', digits: 1, times, lines: lines(insertion), limits: limit(scene.insertion_max_mm, 'limit') },
  ];
  if (moving.some((t) => tendonCount(t, 'pull_mm') > 0))
    charts.push({ title: 'Largest tendon pull', unit: 'mm', digits: 2, times, lines: lines((t) => worst(t, 'pull_mm')), limits: limit(scene.stroke_max_mm, 'limit') });
  if (moving.some((t) => tendonCount(t, 'tension_N') > 0))
    charts.push({ title: 'Largest tendon tension', unit: 'N', digits: 2, times, lines: lines((t) => worst(t, 'tension_N')), limits: limit(scene.tension_max_N, 'limit') });
  if (moving.some((t) => t.actions.some((a) => a.field_mT)))
    charts.push({ title: 'Field', unit: 'mT', digits: 1, times, lines: lines(fieldStrength, true), limits: limit(scene.field_max_mT, 'limit') });
  return moving.length > 0 ? charts : [];
}

/** One plot with its read-out line. */
class Plot {
  readonly element: HTMLElement;
  private readonly mount = h('div', { class: 'plot-mount' });
  private readonly head = h('div', { class: 'plot-head' });
  private readonly cells: HTMLElement[] = [];
  private readonly cursor = h('div', { class: 'plot-now' });
  private plot: uPlot | null = null;
  /** The curve fills the plot, and limits far from it lie outside, named at the edge. */
  private close: boolean;

  constructor(
    private readonly chart: Chart,
    private readonly clock: Clock,
    private readonly tracks: Track[],
  ) {
    this.close = this.isSmall();
    this.head.append(h('h3', {}, `${chart.title} `, h('small', {}, chart.unit), this.isSmall() ? this.limitsButton() : null));
    const legend = h('div', { class: 'plot-legend' });
    chart.lines.forEach((line, i) => {
      const cell = h('b', {});
      this.cells.push(cell);
      legend.append(h('span', {}, this.swatch(i), h('span', {}, chart.lines.length > 1 ? `${line.name} ` : ''), cell));
    });
    this.head.append(legend);
    this.element = h('section', { class: 'plot', 'aria-label': `${chart.title}, ${chart.unit}` }, this.head, this.mount);
    this.mount.addEventListener('pointerdown', (event) => this.drag(event));
    new ResizeObserver(() => this.resize()).observe(this.mount);
  }

  private stroke(i: number): string {
    return this.chart.lines[i].bound ? tone('--ink-soft') : tone(kTones[i % kTones.length]);
  }

  private dash(i: number): number[] {
    return this.chart.lines[i].bound ? [3, 3] : kDashes[i % kDashes.length];
  }

  private swatch(i: number): SVGElement {
    const line = s('line', { x1: 1, y1: 5, x2: 27, y2: 5, 'stroke-width': this.chart.lines[i].bound ? 1.4 : 2.2, 'stroke-dasharray': this.dash(i).join(' ') });
    line.style.stroke = this.chart.lines[i].bound ? 'var(--ink-soft)' : `var(${kTones[i % kTones.length]})`;
    return s('svg', { viewBox: '0 0 28 10', class: 'plot-swatch', 'aria-hidden': 'true' }, line);
  }

  private values(): number[] {
    return this.chart.lines.flatMap((l) => l.values).filter((v): v is number => v !== null && Number.isFinite(v));
  }

  /** Is the curve so far from its limits that it is hard to read beside them? */
  private isSmall(): boolean {
    const most = largest(this.values()) ?? 0;
    return most > 0 && most < kSmallShare * (largest(this.chart.limits.map((l) => l.value)) ?? 0);
  }

  private limitsButton(): HTMLElement {
    const button = h('button', { type: 'button', class: 'closer', 'aria-pressed': !this.close, 'aria-label': `${this.chart.title}: with its limits` }, 'show limits');
    button.addEventListener('click', () => {
      this.close = !this.close;
      button.setAttribute('aria-pressed', String(!this.close));
      this.build();
    });
    return button;
  }

  private range(): [number, number] {
    const limits = this.close ? [] : this.chart.limits.map((l) => l.value);
    const all = [...this.values(), ...limits, 0];
    const low = Math.min(...all);
    const high = Math.max(...all);
    const margin = 0.08 * (high - low || 1);
    return [low < 0 ? low - margin : 0, high + margin];
  }

  build() {
    this.plot?.destroy();
    const axis = { stroke: tone('--ink-soft'), grid: { stroke: tone('--grid'), width: 1 }, ticks: { show: false }, font: '11px system-ui, sans-serif' };
    const [low, high] = this.range();
    this.plot = new uPlot(
      {
        width: Math.max(160, this.mount.clientWidth),
        height: kHeight,
        legend: { show: false },
        cursor: { drag: { x: false, y: false, setScale: false }, y: false, points: { size: 6 }, sync: { key: 'withy' } },
        scales: { x: { time: false }, y: { range: [low, high] } },
        axes: [
          { ...axis, size: 24, gap: 4, values: (_, ticks) => ticks.map((t) => `${t} s`) },
          { ...axis, size: 40, gap: 4, space: 24 },
        ],
        series: [
          {},
          ...this.chart.lines.map((line, i): uPlot.Series => ({
            stroke: this.stroke(i),
            width: line.bound ? 1.4 : 2,
            pxAlign: 0,
            dash: this.dash(i),
            points: { show: false },
            paths: line.bound ? uPlot.paths.stepped?.({ align: 1 }) : undefined,
          })),
        ],
        hooks: { drawAxes: [(u) => this.drawGround(u)], draw: [(u) => this.drawLimits(u)], setCursor: [(u) => this.readOut(u)] },
      },
      [this.chart.times, ...this.chart.lines.map((l) => l.values)] as uPlot.AlignedData,
      this.mount,
    );
    this.plot.over.append(this.cursor);
    this.setTime(this.clock.time);
  }

  /** Shades the way out and marks where actions begin. */
  private drawGround(u: uPlot) {
    if (this.tracks.length !== 1) return;
    const { left, top, width, height } = u.bbox;
    const track = this.tracks[0];
    const out = u.valToPos(track.turningTime(), 'x', true);
    u.ctx.save();
    u.ctx.fillStyle = tone('--way-out');
    u.ctx.fillRect(out, top, left + width - out, height);
    u.ctx.strokeStyle = tone('--grid');
    for (const start of track.start) {
      const x = Math.round(u.valToPos(start, 'x', true)) + 0.5;
      u.ctx.beginPath();
      u.ctx.moveTo(x, top);
      u.ctx.lineTo(x, top + height);
      u.ctx.stroke();
    }
    u.ctx.restore();
  }

  private drawLimits(u: uPlot) {
    const { left, width, top, height } = u.bbox;
    const scale = window.devicePixelRatio || 1;
    u.ctx.save();
    u.ctx.strokeStyle = u.ctx.fillStyle = tone('--limit');
    u.ctx.lineWidth = 1.6 * scale;
    u.ctx.font = `600 ${10.5 * scale}px system-ui, sans-serif`;
    u.ctx.textAlign = 'right';
    // Curves behind the words stay off them.
    const write = (text: string, y: number) => {
      u.ctx.save();
      u.ctx.setLineDash([]);
      u.ctx.lineJoin = 'round';
      u.ctx.lineWidth = 4 * scale;
      u.ctx.strokeStyle = tone('--panel');
      u.ctx.strokeText(text, left + width - 4 * scale, y);
      u.ctx.restore();
      u.ctx.fillText(text, left + width - 4 * scale, y);
    };
    for (const { value, name } of this.chart.limits) {
      const { min, max } = u.scales.y;
      const words = `${name} ${quantity(value, '', this.chart.digits)}`;
      if (value < (min ?? -Infinity) || value > (max ?? Infinity)) {
        const over = value > (max ?? Infinity);
        u.ctx.textBaseline = over ? 'top' : 'bottom';
        write(`${over ? '↑' : '↓'} ${words}`, over ? top + 2 * scale : top + height - 2 * scale);
        continue;
      }
      const y = u.valToPos(value, 'y', true);
      u.ctx.setLineDash([9 * scale, 3 * scale]);
      u.ctx.beginPath();
      u.ctx.moveTo(left, y);
      u.ctx.lineTo(left + width, y);
      u.ctx.stroke();
      const below = y - top < height / 2;
      u.ctx.textBaseline = below ? 'top' : 'bottom';
      write(words, y + (below ? 4 : -2) * scale);
    }
    u.ctx.restore();
  }

  private drag(event: PointerEvent) {
    const go = (e: PointerEvent) => {
      if (!this.plot) return;
      const x = e.clientX - this.plot.over.getBoundingClientRect().left;
      this.clock.play(false);
      this.clock.seek(this.plot.posToVal(x, 'x'));
    };
    go(event);
    this.mount.setPointerCapture(event.pointerId);
    const stop = () => this.mount.removeEventListener('pointermove', go);
    this.mount.addEventListener('pointermove', go);
    this.mount.addEventListener('pointerup', stop, { once: true });
    this.mount.addEventListener('pointercancel', stop, { once: true });
  }

  private readOut(u: uPlot) {
    const pointed = u.cursor.idx;
    this.write(typeof pointed === 'number' ? this.chart.times[pointed] : this.clock.time);
  }

  private write(time: number) {
    const { times, lines, digits } = this.chart;
    lines.forEach((line, i) => say(this.cells[i], quantity(readAt(times, line.values, time, line.nearest), '', digits)));
  }

  setTime(time: number) {
    if (!this.plot) return;
    this.cursor.style.transform = `translateX(${this.plot.valToPos(time, 'x')}px)`;
    if (this.plot.cursor.idx === null || this.plot.cursor.idx === undefined) this.write(time);
  }

  private resize() {
    const width = this.mount.clientWidth;
    if (this.plot && width > 0 && width !== this.plot.width) this.plot.setSize({ width, height: kHeight });
    this.setTime(this.clock.time);
  }
}

export class Charts {
  readonly element = h('div', { class: 'charts', id: 'charts' });
  private readonly plots: Plot[];

  constructor(data: PageData, tracks: Track[], clock: Clock) {
    const charts = tracks.length === 1 ? chartsOfOne(tracks[0], data) : chartsOfMany(tracks, data);
    const drawn = charts.filter((c) => c.times.length > 1);
    this.plots = drawn.map((chart) => new Plot(chart, clock, tracks));
    this.element.append(...this.plots.map((p) => p.element));
    if (drawn.length === 0) this.element.append(h('p', { class: 'nothing' }, 'No plan, so nothing to plot.'));
    clock.listen(() => this.plots.forEach((p) => p.setTime(clock.time)));
  }

  applyTheme() {
    for (const plot of this.plots) plot.build();
  }
}
