// SPDX-License-Identifier: GPL-3.0-or-later
// The driving deck: insertion, bend and lock switches in the hand, what the body then asks of wall and hardware, and the steps so far.
//
// The hand only ever says where it wants to be. The desk moves the body as far as that is allowed, step by step, and says why where it
// stops; so the body is never shown where it may not be.

import { h, s, say } from '../dom.ts';
import { actionSign } from '../signs.ts';
import { quantity, sentence } from '../words.ts';
import { desk, gapWord, Newest, type HandFigures } from './api.ts';
import type { Vec2 } from '../kinematics.ts';

const kInsertionStep_mm = 1;
const kBendStep = 0.04;
const kPad = 46;

export interface DeckDeeds {
  moved(figures: HandFigures): void;
  said(text: string, bad: boolean): void;
}

export class Deck {
  readonly element: HTMLElement;
  private readonly insertion = h('input', { type: 'range', id: 'insertion', min: 0, step: 0.1, 'aria-label': 'insertion, mm' });
  private readonly bendX = h('input', { type: 'range', id: 'bend-x', min: -1, max: 1, step: 0.005, 'aria-label': 'bend towards the section’s x, share of the limit' });
  private readonly bendY = h('input', { type: 'range', id: 'bend-y', min: -1, max: 1, step: 0.005, 'aria-label': 'bend towards the section’s y, share of the limit' });
  private readonly pad = s('svg', { class: 'bend-pad', viewBox: '-50 -50 100 100', 'aria-hidden': 'true' });
  private readonly dot = s('circle', { r: 7, class: 'pad-dot' });
  private readonly locks = h('div', { class: 'lock-switches' });
  private readonly figures = h('dl', { class: 'hand-figures' });
  private readonly steps = h('ol', { class: 'steps', id: 'steps', 'aria-label': 'steps driven so far' });
  private readonly objection = h('p', { id: 'objection', class: 'objection', role: 'status' });
  private readonly jobs = new Newest();
  private hand: HandFigures | null = null;
  /** Where the hand wants to be, while it does. */
  private wanted: { insertion_mm: number; u: Vec2 } | null = null;
  updates = 0;
  private deedsDone = 0;
  /** Answers of the desk that were asked for; an older one is not shown over a newer one. */
  private asked = 0;
  /** What is said is that another window drives. */
  private elsewhere = false;

  constructor(
    private locksDriven: number,
    private readonly deeds: DeckDeeds,
  ) {
    this.pad.append(s('circle', { r: kPad, class: 'pad-rim' }), s('path', { d: `M-${kPad} 0 H${kPad} M0 -${kPad} V${kPad}`, class: 'pad-cross' }), s('text', { x: kPad - 8, y: -3, class: 'pad-name' }, 'x'), s('text', { x: 4, y: 10 - kPad, class: 'pad-name' }, 'y'), this.dot);
    for (const slider of [this.insertion, this.bendX, this.bendY]) slider.addEventListener('input', () => this.want());
    this.pad.addEventListener('pointerdown', (event) => this.holdPad(event));
    this.element = h(
      'section',
      { class: 'deck', tabindex: 0, 'aria-label': 'Drive by hand. Page down and up: insertion. Arrows: bend. Digits: lock switches. Backspace: one step back.' },
      h('div', { class: 'driving' }, h('div', { class: 'sliders' }, h('label', { for: 'insertion' }, 'in'), this.insertion, h('label', { for: 'bend-x' }, 'bend x'), this.bendX, h('label', { for: 'bend-y' }, 'bend y'), this.bendY), this.pad, this.locks),
      h('div', { class: 'readings' }, this.figures, this.objection),
      h('div', { class: 'course' }, this.steps),
    );
    this.element.addEventListener('keydown', (event) => this.key(event));
  }

  /** Another segment, or the same after a change. */
  async open(locks: number) {
    this.locksDriven = locks;
    this.wanted = null;
    await this.ask(() => desk.hand(locks), true);
  }

  /** Something was driven, by this page or another: shows it where it was another; was it? Nothing while this page drives. */
  async follow(driven: number): Promise<boolean> {
    if (!this.jobs.idle || !this.hand || driven <= this.hand.driven) return false;
    const before = JSON.stringify(this.hand.state);
    const asked = ++this.asked;
    const hand = await desk.hand(this.locksDriven);
    if (asked !== this.asked || !this.jobs.idle || hand.driven < this.hand.driven) return false;
    this.wanted = null;
    this.show(hand);
    if (JSON.stringify(hand.state) === before) return false;
    this.elsewhere = true;
    this.deeds.said('another window or program drives this body', false);
    return true;
  }

  /** The count of what was driven, as of what is shown. */
  get driven(): number {
    return this.hand?.driven ?? 0;
  }

  get shown(): HandFigures | null {
    return this.hand;
  }

  private want() {
    if (!this.hand) return;
    const limit = this.hand.curvature_max_per_mm;
    this.go(Number(this.insertion.value), [Number(this.bendX.value) * limit, Number(this.bendY.value) * limit]);
  }

  private go(insertion_mm: number, u: Vec2) {
    this.wanted = { insertion_mm, u };
    this.jobs.run('drive', () => this.ask(() => desk.drive(this.locksDriven, insertion_mm, u)));
  }

  private async ask(job: () => Promise<HandFigures>, quiet = false) {
    ++this.asked;
    try {
      this.show(await job());
      if (this.elsewhere) this.deeds.said('', false);
      this.elsewhere = false;
    } catch (error) {
      if (!quiet || this.hand) this.deeds.said((error as Error).message, true);
    }
  }

  /** One of the desk's other deeds with the hand. */
  async act(job: () => Promise<HandFigures>) {
    this.wanted = null;
    await new Promise<void>((done) => this.jobs.run(`deed ${++this.deedsDone}`, async () => (await this.ask(job), done())));
  }

  private holdPad(event: PointerEvent) {
    if (!this.hand) return;
    event.preventDefault();
    const limit = this.hand.curvature_max_per_mm;
    const move = (e: PointerEvent) => {
      const box = this.pad.getBoundingClientRect();
      let x = ((e.clientX - box.left) / box.width) * 100 - 50;
      let y = 50 - ((e.clientY - box.top) / box.height) * 100;
      const out = Math.max(1, Math.hypot(x, y) / kPad);
      x /= out * kPad;
      y /= out * kPad;
      this.go(this.wanted?.insertion_mm ?? this.hand?.state.insertion_mm ?? 0, [x * limit, y * limit]);
    };
    move(event);
    const stop = () => window.removeEventListener('pointermove', move);
    window.addEventListener('pointermove', move);
    window.addEventListener('pointerup', stop, { once: true });
    window.addEventListener('pointercancel', stop, { once: true });
  }

  private free(): Vec2 {
    const regions = this.hand?.state.regions ?? [];
    return regions.length > 0 ? regions[regions.length - 1].curvature_per_mm : [0, 0];
  }

  private key(event: KeyboardEvent) {
    if (!this.hand || event.target !== this.element || event.ctrlKey || event.metaKey || event.altKey) return;
    const u = this.free();
    const by = kBendStep * this.hand.curvature_max_per_mm;
    const d = this.hand.state.insertion_mm;
    const moves: Record<string, [number, Vec2]> = {
      PageDown: [d + kInsertionStep_mm, u],
      PageUp: [d - kInsertionStep_mm, u],
      ArrowRight: [d, [u[0] + by, u[1]]],
      ArrowLeft: [d, [u[0] - by, u[1]]],
      ArrowUp: [d, [u[0], u[1] + by]],
      ArrowDown: [d, [u[0], u[1] - by]],
    };
    const lock = Number(event.key);
    if (moves[event.key]) this.go(...moves[event.key]);
    else if (event.key === 'Backspace') void this.act(() => desk.back(this.locksDriven));
    else if (Number.isInteger(lock) && lock >= 1 && lock <= this.locksDriven) void this.act(() => desk.switch(this.locksDriven, lock));
    else return;
    event.preventDefault();
  }

  private show(hand: HandFigures) {
    if (hand.locks_driven !== this.locksDriven) return;
    this.hand = hand;
    ++this.updates;
    const u = this.free();
    const limit = hand.curvature_max_per_mm;
    this.insertion.max = String(hand.insertion_max_mm);
    const put = (slider: HTMLInputElement, value: number) => {
      if (!slider.matches(':active')) slider.value = String(value);
    };
    put(this.insertion, hand.state.insertion_mm);
    put(this.bendX, u[0] / limit);
    put(this.bendY, u[1] / limit);
    this.dot.setAttribute('cx', String((kPad * u[0]) / limit));
    this.dot.setAttribute('cy', String((-kPad * u[1]) / limit));
    say(this.objection, hand.made ? '' : sentence(`Not allowed: ${hand.objection}`));
    this.showLocks(hand);
    this.showFigures(hand);
    this.showSteps(hand);
    this.deeds.moved(hand);
  }

  private showLocks(hand: HandFigures) {
    if (this.locks.children.length !== hand.locks.length)
      this.locks.replaceChildren(
        ...hand.locks.map((_, i) => h('button', { type: 'button', id: `switch-${i + 1}`, class: 'lock-switch', onclick: () => void this.act(() => desk.switch(this.locksDriven, i + 1)) })),
      );
    hand.locks.forEach((lock, i) => {
      const button = this.locks.children[i] as HTMLButtonElement;
      button.setAttribute('aria-pressed', String(lock.engaged));
      const notch = lock.notch_off_deg === null || lock.engaged ? '' : lock.notch_off_deg < 0.005 ? ', on a notch' : `, notch ${quantity(lock.notch_off_deg, '°', 1)} off`;
      say(button, `${i + 1} ${lock.engaged ? '■ held' : '□ open'}${notch}`);
      button.title = lock.refusal ?? (lock.reserve === null ? '' : `reserve ${quantity(lock.reserve, '')}, ${quantity(Math.hypot(...(lock.field_mT ?? [0, 0, 0])), 'mT', 1)}`);
      button.classList.toggle('barred', lock.refusal !== null);
    });
  }

  private showFigures(hand: HandFigures) {
    const { tendons, clearance } = hand;
    const field = hand.locks.map((l) => (l.field_mT ? quantity(Math.hypot(...l.field_mT), '', 1) : '–')).join(' ');
    const cells: [string, string, string, boolean][] = [
      ['gap', 'hand-gap', clearance ? `${quantity(clearance.now_mm, 'mm')} ${gapWord(clearance)}`.trim() : 'outside', gapWord(clearance) !== ''],
      ['to target', 'hand-target', `${quantity(hand.target_off_mm, 'mm', 1)}, ${quantity(hand.target_off_deg, '°', 0)}${hand.at_target ? ' – there' : ''}`, false],
      ['pulls, mm', 'hand-pulls', tendons ? tendons.pull_mm.map((p) => quantity(p, '', 1)).join(' ') : '–', false],
      ['tensions, N', 'hand-tensions', tendons ? tendons.tension_N.map((t) => quantity(t, '', 1)).join(' ') || 'none do' : '–', false],
      ['lock loads, N mm', 'hand-loads', hand.locks.map((l) => quantity(l.moment_Nmm, '', 0)).join(' ') || '–', hand.locks.some((l) => (l.moment_Nmm ?? 0) > 0.95 * l.hold_moment_Nmm)],
      ['field to switch, mT', 'hand-field', field || '–', false],
    ];
    if (this.figures.children.length === 0) for (const [name, id] of cells) this.figures.append(h('div', {}, h('dt', {}, name), h('dd', { id })));
    cells.forEach(([, , value, marked], i) => {
      const cell = this.figures.children[i].lastElementChild as HTMLElement;
      say(cell, value);
      cell.classList.toggle('marked', marked);
    });
  }

  private showSteps(hand: HandFigures) {
    const key = hand.steps.map((step) => step.kind + (step.lock ?? '')).join();
    if (this.steps.dataset.key === key) return;
    this.steps.dataset.key = key;
    this.steps.replaceChildren(...hand.steps.map((step) => h('li', { title: step.kind }, actionSign(step.kind), step.lock ? String(step.lock) : '')));
    this.steps.scrollLeft = this.steps.scrollWidth;
  }
}
