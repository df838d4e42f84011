// SPDX-License-Identifier: GPL-3.0-or-later
// The time bar: every action a block as long as it takes, one row a plan, one hand over all rows; and the buttons.

import { h, say } from './dom.ts';
import { kSeam_s, type Clock, type Track } from './playback.ts';
import { actionKey, actionSign } from './signs.ts';
import { actionWords, lockCount } from './words.ts';

// A whole plan should play in about this long.
const kShow_s = 25;
const kSpeeds = [1, 2, 5, 10, 20, 50];

export function startingSpeed(seconds: number): number {
  return kSpeeds.find((speed) => seconds / speed <= kShow_s) ?? kSpeeds[kSpeeds.length - 1];
}

/** The next (or last) start of an action of any plan. */
export function neighbouringStart(tracks: Track[], time: number, step: 1 | -1): number {
  const starts = tracks.flatMap((t) => t.start);
  if (step > 0) return Math.min(Infinity, ...starts.filter((s) => s > time + kSeam_s));
  return Math.max(0, ...starts.filter((s) => s < time - kSeam_s));
}

export class TimeBar {
  readonly element: HTMLElement;
  private readonly hand = h('div', { class: 'hand' });
  private readonly bar: HTMLElement;
  private readonly blocks: HTMLElement[][];

  constructor(
    private readonly tracks: Track[],
    private readonly clock: Clock,
  ) {
    this.blocks = tracks.map((track) => track.actions.map((_, k) => this.block(track, k)));
    const rows = tracks.map((track, i) => {
      const name = tracks.length > 1 ? h('span', { class: 'row-name' }, lockCount(track.entry.plan.locks)) : null;
      const empty = track.actions.length === 0 ? h('span', { class: 'row-empty' }, 'no plan') : null;
      return h('div', { class: 'time-row' }, name, h('div', { class: 'time-blocks' }, ...this.legs(track), ...this.blocks[i], empty));
    });
    this.bar = h(
      'div',
      { class: `time-bar ${tracks.length > 1 ? 'named' : ''}`, id: 'time', role: 'slider', tabindex: 0, 'aria-label': 'Time in the plan', 'aria-valuemin': 0, 'aria-valuemax': clock.seconds.toFixed(2) },
      ...rows,
      h('div', { class: 'hand-lane' }, this.hand),
    );
    this.bar.addEventListener('pointerdown', (event) => this.drag(event));
    this.element = this.bar;
    clock.listen(() => this.update());
    this.update();
  }

  private percent(time: number): string {
    return `${(100 * time) / Math.max(1e-9, this.clock.seconds)}%`;
  }

  private block(track: Track, k: number): HTMLElement {
    const action = track.actions[k];
    const key = actionKey(action, track.entry.plan.states);
    const title = `${k + 1}. ${actionWords(track.entry, action)}`;
    const width = this.percent(track.start[k + 1] - track.start[k]);
    return h('div', { class: `block ${key} ${action.leg}`, title, style: `left:${this.percent(track.start[k])}; width:${width}` }, actionSign(key));
  }

  /** "way in" and "way out", where there is room for them. */
  private legs(track: Track): HTMLElement[] {
    if (this.tracks.length > 1 || track.actions.length === 0) return [];
    const turn = track.turningTime();
    const leg = (name: string, from: number, to: number) =>
      h('div', { class: 'leg', style: `left:${this.percent(from)}; width:${this.percent(to - from)}` }, name);
    return turn < track.seconds ? [leg('way in', 0, turn), leg('way out', turn, track.seconds)] : [leg('way in', 0, turn)];
  }

  private drag(event: PointerEvent) {
    const lane = this.hand.parentElement as HTMLElement;
    const go = (e: PointerEvent) => {
      const box = lane.getBoundingClientRect();
      this.clock.play(false);
      this.clock.seek(((e.clientX - box.left) / box.width) * this.clock.seconds);
    };
    go(event);
    this.bar.setPointerCapture(event.pointerId);
    const stop = () => this.bar.removeEventListener('pointermove', go);
    this.bar.addEventListener('pointermove', go);
    this.bar.addEventListener('pointerup', stop, { once: true });
    this.bar.addEventListener('pointercancel', stop, { once: true });
  }

  private update() {
    const { time } = this.clock;
    this.hand.style.left = this.percent(time);
    this.bar.setAttribute('aria-valuenow', time.toFixed(2));
    const spoken: string[] = [];
    this.tracks.forEach((track, i) => {
      const now = track.actionAt(time);
      this.blocks[i].forEach((block, k) => block.classList.toggle('now', k === now));
      if (now >= 0) spoken.push(`action ${now + 1} of ${track.actions.length}: ${actionWords(track.entry, track.actions[now])}`);
    });
    this.bar.setAttribute('aria-valuetext', `${time.toFixed(1)} seconds, ${spoken.join('; ')}`);
  }
}

export interface Deeds {
  playPause(): void;
  step(by: 1 | -1): void;
  nudge(by: number): void;
  toStart(): void;
  toEnd(): void;
  toTarget(): void;
  toTightest(): void;
}

export class Transport {
  readonly element: HTMLElement;
  private readonly play = h('button', { type: 'button', id: 'play', class: 'main' });
  private readonly clockFace = h('output', { class: 'clock', id: 'clock' });

  constructor(
    private readonly clock: Clock,
    deeds: Deeds,
    timed: boolean,
    canReach: boolean,
  ) {
    const button = (id: string, text: string, title: string, act: () => void) =>
      h('button', { type: 'button', id, title, onclick: act }, text);
    this.play.addEventListener('click', () => deeds.playPause());
    const speed = h('select', { id: 'speed', 'aria-label': 'Speed' }, ...kSpeeds.map((k) => h('option', { value: k }, `${k}× speed`)));
    speed.value = String(clock.speed);
    speed.addEventListener('change', () => clock.setSpeed(Number(speed.value)));
    this.element = h(
      'div',
      { class: 'transport', role: 'group', 'aria-label': 'Play' },
      button('back', '◂ Step', 'Back to the action before (←)', () => deeds.step(-1)),
      this.play,
      button('forward', 'Step ▸', 'On to the next action (→)', () => deeds.step(1)),
      canReach ? button('target', 'At target', 'Where the way in ends (G)', () => deeds.toTarget()) : null,
      button('tightest', 'Tightest spot', 'Where the body is nearest the wall (T)', () => deeds.toTightest()),
      speed,
      this.clockFace,
      timed ? null : h('small', {}, 'The scene gives no rates; times are for show.'),
    );
    clock.listen(() => this.update());
    this.update();
  }

  private update() {
    say(this.play, this.clock.playing ? 'Pause' : 'Play');
    this.play.setAttribute('aria-pressed', String(this.clock.playing));
    this.play.title = this.clock.playing ? 'Pause (space)' : 'Play (space)';
    say(this.clockFace, `${this.clock.time.toFixed(1)} of ${this.clock.seconds.toFixed(1)} s`);
  }
}
