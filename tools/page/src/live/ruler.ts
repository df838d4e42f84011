// SPDX-License-Identifier: GPL-3.0-or-later
// The segment laid out straight on a ruler: the locks are dragged along it, the clocking of each is turned on the dial below it.

import { s, say } from '../dom.ts';
import type { Design } from '../kinematics.ts';
import { degrees, quantity } from '../words.ts';

const kHeight = 104;
const kLeft = 46;
const kRight = 24;
const kBody = 36;
const kDial = 84;
const kDialRadius = 13;
/** Steps between numbers along the ruler. */
const kMostNumbers = 12;

export interface RulerDeeds {
  station(lock: number, station_mm: number, gesture: string): void;
  clock(lock: number, clock_deg: number, gesture: string): void;
}

/** A tenth of a millimetre, and a whole degree, is as fine as a hand gets. */
const tenth = (x: number) => Math.round(10 * x) / 10;

/** The least of 1, 2 and 5 times a power of ten of which a length takes no more than kMostNumbers. */
function rulerStep(length_mm: number): number {
  const least = length_mm / kMostNumbers;
  const ten = 10 ** Math.floor(Math.log10(least));
  return [1, 2, 5].map((n) => n * ten).find((step) => step >= least) ?? 10 * ten;
}

export class Ruler {
  readonly element = s('svg', { class: 'ruler', role: 'group', 'aria-label': 'The segment on a ruler, base on the left' });
  private design: Design | null = null;
  /** px, so that text and dials keep their shape. */
  private width = 1000;
  private holding = false;
  private gestures = 0;

  constructor(private readonly deeds: RulerDeeds) {
    new ResizeObserver(() => this.resize()).observe(this.element);
  }

  private resize() {
    const { width } = this.element.getBoundingClientRect();
    if (width === 0 || width === this.width) return;
    this.width = width;
    this.element.setAttribute('viewBox', `0 0 ${width} ${kHeight}`);
    if (this.design) this.build();
  }

  private x(station: number): number {
    return kLeft + (station / (this.design?.length_mm ?? 1)) * (this.width - kLeft - kRight);
  }

  set(design: Design) {
    this.design = design;
    if (!this.holding || this.element.querySelectorAll('.bead').length !== design.station_mm.length) this.build();
    else this.move();
  }

  private build() {
    const design = this.design as Design;
    const parts: SVGElement[] = [];
    const y = kBody;
    parts.push(s('rect', { x: this.x(0), y: y - 9, width: this.x(design.length_mm) - this.x(0), height: 18, class: 'ruler-body' }));
    const step = rulerStep(design.length_mm);
    for (let half = 0; (half * step) / 2 <= design.length_mm + 1e-9; ++half) {
      const at = Number(((half * step) / 2).toPrecision(6));
      const whole = half % 2 === 0;
      parts.push(s('line', { x1: this.x(at), x2: this.x(at), y1: 4, y2: whole ? 14 : 9, class: 'ruler-tick' }));
      if (whole) parts.push(s('text', { x: this.x(at) + 3, y: 14, class: 'ruler-number' }, String(at)));
    }
    parts.push(s('text', { x: 4, y: y + 4, class: 'ruler-end' }, 'base'), s('text', { x: 4, y: kDial + 4, class: 'ruler-end' }, 'clock'));
    const tip = design.rigid[design.rigid.length - 1];
    if (tip && tip.to_mm >= design.length_mm && !design.station_mm.some((at) => at >= tip.from_mm)) parts.push(s('rect', { x: this.x(tip.from_mm), y: y - 9, width: this.x(tip.to_mm) - this.x(tip.from_mm), height: 18, class: 'ruler-tip' }));
    design.station_mm.forEach((_, i) => parts.push(this.bead(i), this.dial(i)));
    this.element.replaceChildren(...parts);
    this.move();
  }

  private spanOf(lock: number): number {
    const design = this.design as Design;
    const at = design.station_mm[lock];
    const span = design.rigid.find((r) => r.from_mm <= at && at <= r.to_mm);
    return span ? span.to_mm - span.from_mm : 2;
  }

  private bead(lock: number): SVGElement {
    const half = Math.max(5, 0.5 * (this.x(this.spanOf(lock)) - this.x(0)));
    const bead = s(
      'g',
      { class: 'bead', id: `station-${lock + 1}`, tabindex: 0, role: 'slider', 'aria-label': `station of lock ${lock + 1}, mm` },
      s('rect', { x: -half - 6, y: kBody - 20, width: 2 * half + 12, height: 40, class: 'grasp' }),
      s('rect', { x: -half, y: kBody - 14, width: 2 * half, height: 28, rx: 2, class: 'bead-body' }),
      s('text', { x: 0, y: kBody + 28, class: 'bead-name' }),
    );
    this.draggable(bead, (x, gesture) => this.putStation(lock, x, gesture));
    bead.addEventListener('keydown', (event) => {
      const by = { ArrowLeft: -0.5, ArrowRight: 0.5, ArrowDown: -0.5, ArrowUp: 0.5 }[event.key];
      if (by === undefined) return;
      event.preventDefault();
      event.stopPropagation();
      this.putStation(lock, (this.design as Design).station_mm[lock] + by, '');
    });
    return bead;
  }

  private dial(lock: number): SVGElement {
    const dial = s(
      'g',
      { class: 'dial', id: `clock-${lock + 1}`, tabindex: 0, role: 'slider', 'aria-label': `clocking of lock ${lock + 1}, degrees`, 'aria-valuemin': 0, 'aria-valuemax': 360 },
      s('circle', { cx: 0, cy: kDial, r: kDialRadius + 3, class: 'grasp' }),
      s('circle', { cx: 0, cy: kDial, r: kDialRadius, class: 'dial-face' }),
      s('line', { x1: 0, y1: kDial, x2: kDialRadius, y2: kDial, class: 'dial-hand' }),
      s('text', { x: kDialRadius + 6, y: kDial + 4, class: 'dial-name' }),
    );
    dial.addEventListener('pointerdown', (event) => {
      const gesture = this.begin(`clock ${lock}`);
      const turn = (e: PointerEvent) => {
        const box = (dial.querySelector('.dial-face') as SVGElement).getBoundingClientRect();
        const angle = degrees(Math.atan2(-(e.clientY - box.top - box.height / 2) / box.height, (e.clientX - box.left - box.width / 2) / box.width));
        this.putClock(lock, angle, gesture);
      };
      this.follow(event, turn);
    });
    dial.addEventListener('keydown', (event) => {
      const by = { ArrowLeft: 5, ArrowRight: -5, ArrowDown: -5, ArrowUp: 5 }[event.key];
      if (by === undefined) return;
      event.preventDefault();
      event.stopPropagation();
      this.putClock(lock, degrees((this.design as Design).clock_rad[lock]) + by, '');
    });
    return dial;
  }

  private begin(what: string): string {
    this.holding = true;
    return `${what} ${++this.gestures} ${Date.now()}`;
  }

  private follow(event: PointerEvent, move: (e: PointerEvent) => void) {
    event.preventDefault();
    const stop = () => {
      this.holding = false;
      window.removeEventListener('pointermove', move);
    };
    window.addEventListener('pointermove', move);
    window.addEventListener('pointerup', stop, { once: true });
    window.addEventListener('pointercancel', stop, { once: true });
  }

  private draggable(bead: SVGElement, put: (station: number, gesture: string) => void) {
    bead.addEventListener('pointerdown', (event) => {
      const gesture = this.begin('station');
      this.follow(event, (e) => {
        const box = this.element.getBoundingClientRect();
        const x = ((e.clientX - box.left) / box.width) * this.width;
        put(((x - kLeft) / (this.width - kLeft - kRight)) * (this.design as Design).length_mm, gesture);
      });
    });
  }

  /** Keeps a lock between its neighbours. */
  private putStation(lock: number, wanted: number, gesture: string) {
    const design = this.design as Design;
    const half = 0.5 * this.spanOf(lock);
    const stations = design.station_mm;
    const tip = design.rigid[design.rigid.length - 1];
    const last = tip && tip.to_mm >= design.length_mm ? tip.from_mm : design.length_mm;
    const low = (lock > 0 ? stations[lock - 1] + this.spanOf(lock - 1) / 2 : 0) + half + 0.1;
    const high = (lock + 1 < stations.length ? stations[lock + 1] - this.spanOf(lock + 1) / 2 : last) - half - 0.1;
    const station = tenth(Math.min(Math.max(wanted, low), high));
    // What is dragged may be on its way elsewhere while it is dragged back to where it stands.
    if (gesture !== '' || station !== stations[lock]) this.deeds.station(lock, station, gesture);
  }

  private putClock(lock: number, wanted: number, gesture: string) {
    const turned = ((Math.round(wanted) % 360) + 360) % 360;
    if (gesture !== '' || turned !== tenth(degrees((this.design as Design).clock_rad[lock]))) this.deeds.clock(lock, turned, gesture);
  }

  private move() {
    const design = this.design as Design;
    design.station_mm.forEach((station, i) => {
      const bead = this.element.querySelector(`#station-${i + 1}`);
      const dial = this.element.querySelector(`#clock-${i + 1}`);
      if (!bead || !dial) return;
      const clock = degrees(design.clock_rad[i]);
      bead.setAttribute('transform', `translate(${this.x(station)} 0)`);
      bead.setAttribute('aria-valuenow', station.toFixed(1));
      bead.setAttribute('aria-valuetext', `${station.toFixed(1)} mm`);
      bead.setAttribute('aria-valuemin', '0');
      bead.setAttribute('aria-valuemax', String(design.length_mm));
      say(bead.querySelector('.bead-name') as Element, `${i + 1}: ${quantity(station, 'mm', 1)}`);
      dial.setAttribute('transform', `translate(${this.x(station)} 0)`);
      dial.setAttribute('aria-valuenow', clock.toFixed(0));
      (dial.querySelector('.dial-hand') as Element).setAttribute('transform', `rotate(${-clock} 0 ${kDial})`);
      say(dial.querySelector('.dial-name') as Element, quantity(clock, '°', 0));
    });
  }
}
