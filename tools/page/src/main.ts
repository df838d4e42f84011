// SPDX-License-Identifier: GPL-3.0-or-later
// Puts the page together.

import * as THREE from 'three';
import { Charts } from './charts.ts';
import { readData, type PageData } from './data.ts';
import { h } from './dom.ts';
import { keySheet, legend, listenToKeys, type Key } from './key.ts';
import { ActionTable, NowPanel, cautionPanel, comparePanel, groundsPanel, sourcePanel, verdictPanel } from './panels.ts';
import { Clock, Track } from './playback.ts';
import { preparePrint } from './print.ts';
import { TimeBar, Transport, neighbouringStart, startingSpeed, type Deeds } from './timeline.ts';
import { ChannelView, type Cut } from './view/channel.ts';
import { Pane } from './view/pane.ts';
import { Stage } from './view/stage.ts';

const kCuts: [Cut, string][] = [
  ['open', 'Open side'],
  ['glass', 'Glass'],
  ['section', 'Section'],
];

type Theme = 'light' | 'dark';

class Page {
  private readonly tracks: Track[];
  private readonly clock: Clock;
  private readonly stage: Stage | null;
  private readonly charts: Charts;
  private readonly sheet: HTMLDialogElement;
  private readonly stills: HTMLElement;
  private readonly section = h('input', { type: 'range', id: 'section', min: 0, max: 1, step: 0.01, value: 0.5, 'aria-label': 'Depth of the section' });
  private readonly cutButtons = new Map<Cut, HTMLButtonElement>();
  private theme: Theme;
  private shown: Theme;

  constructor(private readonly data: PageData) {
    this.tracks = data.plans.map((entry) => new Track(entry));
    this.stills = h('section', { class: this.tracks.length > 1 ? 'stills many' : 'stills', 'aria-hidden': 'true' });
    this.clock = new Clock(Math.max(...this.tracks.map((t) => t.seconds)));
    this.clock.speed = startingSpeed(this.clock.seconds);
    this.theme = this.shown = matchMedia('(prefers-color-scheme: dark)').matches ? 'dark' : 'light';
    this.stage = this.makeStage();
    this.charts = new Charts(data, this.tracks, this.clock);
    const keys = this.keys();
    this.sheet = keySheet(keys);
    this.build();
    this.setTheme(this.theme);
    listenToKeys(keys);
    this.clock.listen(() => this.stage?.setTime(this.clock.time));
    matchMedia('(prefers-color-scheme: dark)').addEventListener('change', (e) => this.setTheme(e.matches ? 'dark' : 'light'));
    preparePrint(this.stage, this.tracks, this.clock, this.stills, (on) => this.show(on ? 'light' : this.theme));
  }

  private makeStage(): Stage | null {
    const { scene, channel } = this.data;
    const point = (p: number[]) => new THREE.Vector3(p[0], p[1], p[2]);
    try {
      const many = this.tracks.length > 1;
      const panes = this.tracks.map((track) => new Pane(track, scene, many));
      return new Stage(new ChannelView(channel), panes, point(scene.entry.p), point(scene.target.point_mm));
    } catch (error) {
      // A browser without WebGL still gets everything that is written and plotted.
      console.warn(error);
      return null;
    }
  }

  private build() {
    const { data, tracks, clock } = this;
    const many = tracks.length > 1;
    const picture = this.stage?.element ?? h('p', { class: 'nothing' }, 'This browser offers no WebGL, so the picture is missing; plots and tables are complete.');
    const playable = clock.seconds > 0;
    document.body.append(
      h(
        'header',
        { class: 'top' },
        h('h1', {}, data.scene.title),
        h('p', { class: 'caution-line' }, data.cautions[0] ?? ''),
        h('div', { class: 'top-buttons' }, this.themeButton(), h('button', { type: 'button', id: 'print', onclick: () => window.print() }, 'Print'), h('button', { type: 'button', id: 'help', onclick: () => this.sheet.showModal() }, 'Keys')),
      ),
      many ? comparePanel(data) : verdictPanel(data.plans[0], data),
      h(
        'div',
        { class: many ? 'work many' : 'work' },
        h(
          'div',
          { class: 'left' },
          h('div', { class: 'picture' }, h('div', { class: 'picture-tools' }, this.cutTools()), picture, legend(data.plans[0].design.guide, data.plans.some((p) => p.elastic))),
          playable ? h('div', { class: 'player' }, new Transport(clock, this.deeds(), data.timed, tracks.some((t) => t.entry.plan.verdict === 'reached')).element, new TimeBar(tracks, clock).element) : '',
          h('div', { class: 'nows' }, ...tracks.map((t) => new NowPanel(t, clock, many).element)),
        ),
        playable ? this.charts.element : h('div', { class: 'beside' }, ...data.plans.map((p) => groundsPanel(p, many))),
      ),
      this.stills,
      ...tracks.filter((t) => t.actions.length > 0).map((t) => new ActionTable(t, clock, many).element),
      ...(playable ? data.plans.map((p) => groundsPanel(p, many)) : []),
      cautionPanel(data.cautions),
      sourcePanel(data),
      this.sheet,
    );
  }

  private themeButton(): HTMLElement {
    return h('button', { type: 'button', id: 'theme', onclick: () => this.setTheme(this.theme === 'dark' ? 'light' : 'dark') }, 'Dark or light');
  }

  private cutTools(): HTMLElement {
    for (const [cut, name] of kCuts)
      this.cutButtons.set(cut, h('button', { type: 'button', id: `cut-${cut}`, 'aria-pressed': cut === 'open', onclick: () => this.setCut(cut) }, name));
    this.section.hidden = true;
    this.section.addEventListener('input', () => this.stage?.setSection(Number(this.section.value)));
    return h(
      'div',
      { class: 'tools', role: 'group', 'aria-label': 'Picture' },
      h('span', {}, 'Wall'),
      ...this.cutButtons.values(),
      this.section,
      this.bodyChoice(),
      h('button', { type: 'button', id: 'labels', 'aria-pressed': true, onclick: () => this.toggleLabels() }, 'Names'),
      h('button', { type: 'button', id: 'fit', onclick: () => this.stage?.fit() }, 'Whole view'),
      h('button', { type: 'button', id: 'fit-segment', onclick: () => this.stage?.fitSegment() }, 'Segment'),
    );
  }

  /** Chooses the body that is drawn; null where the page carries ideal ones only. */
  private bodyChoice(): HTMLElement | null {
    const ways = this.tracks[0].entry.elastic ?? [];
    if (ways.length === 0 || !this.stage) return null;
    const choice = h('select', { id: 'body', 'aria-label': 'Body' }, ...['ideal body', ...ways.map((way) => way.name)].map((name, i) => h('option', { value: i }, name)));
    choice.addEventListener('change', () => this.stage?.setWay(Number(choice.value) - 1));
    choice.value = '1';
    this.stage.setWay(0);
    return choice;
  }

  private setCut(cut: Cut) {
    this.stage?.setCut(cut);
    this.section.hidden = cut !== 'section';
    for (const [name, button] of this.cutButtons) button.setAttribute('aria-pressed', String(name === cut));
  }

  private toggleLabels() {
    if (!this.stage) return;
    this.stage.setLabelled(!this.stage.labelled);
    document.getElementById('labels')?.setAttribute('aria-pressed', String(this.stage.labelled));
  }

  private moveSection(by: number) {
    if (this.stage?.cut !== 'section') this.setCut('section');
    this.section.value = String(Number(this.section.value) + by);
    this.stage?.setSection(Number(this.section.value));
  }

  private go(time: number | null) {
    if (time === null || !Number.isFinite(time)) return;
    this.clock.play(false);
    this.clock.seek(time);
  }

  private tightest() {
    const times = this.tracks.map((track) => ({ track, time: track.tightestTime() })).filter((x) => x.time !== null);
    if (times.length === 0) return;
    const gapOf = ({ track, time }: (typeof times)[number]) => track.gapAt(track.at(time ?? 0))?.clearance_mm ?? Infinity;
    const worst = times.reduce((a, b) => (gapOf(b) < gapOf(a) ? b : a));
    this.go(worst.time);
    this.stage?.approachGap(worst.track);
  }

  private targetTime(): number | null {
    return this.tracks.find((t) => t.entry.plan.verdict === 'reached')?.targetTime() ?? null;
  }

  private deeds(): Deeds {
    return {
      playPause: () => this.clock.play(!this.clock.playing),
      step: (by) => this.go(Math.min(this.clock.seconds, neighbouringStart(this.tracks, this.clock.time, by))),
      nudge: (by) => this.go(this.clock.time + by * this.clock.seconds),
      toStart: () => this.go(0),
      toEnd: () => this.go(this.clock.seconds),
      toTarget: () => this.go(this.targetTime()),
      toTightest: () => this.tightest(),
    };
  }

  private keys(): Key[] {
    const deeds = this.deeds();
    const key = (keys: string, shown: string, does: string, act: () => void): Key => ({ keys: keys.split('|'), shown, does, act });
    return [
      key(' ', 'space', 'play or pause', deeds.playPause),
      key('ArrowLeft', '←', 'back to the action before', () => deeds.step(-1)),
      key('ArrowRight', '→', 'on to the next action', () => deeds.step(1)),
      key(',', ',', 'a little back', () => deeds.nudge(-0.005)),
      key('.', '.', 'a little on', () => deeds.nudge(0.005)),
      key('Home', 'Home', 'to the start', deeds.toStart),
      key('End', 'End', 'to the end', deeds.toEnd),
      key('g|G', 'G', 'to where the tip is at the target', deeds.toTarget),
      key('t|T', 'T', 'to the tightest spot', deeds.toTightest),
      key('c|C', 'C', 'wall: open side, glass, section', () => this.nextCut()),
      key('[', '[', 'section nearer', () => this.moveSection(-0.04)),
      key(']', ']', 'section farther', () => this.moveSection(0.04)),
      key('n|N', 'N', 'names on or off', () => this.toggleLabels()),
      key('f|F', 'F', 'whole view', () => this.stage?.fit()),
      key('s|S', 'S', 'the segment past the entry, and the target', () => this.stage?.fitSegment()),
      key('j|J', 'J', 'turn the picture left', () => this.stage?.orbit(-0.02, 0)),
      key('l|L', 'L', 'turn the picture right', () => this.stage?.orbit(0.02, 0)),
      key('i|I', 'I', 'look from higher', () => this.stage?.orbit(0, -0.02)),
      key('k|K', 'K', 'look from lower', () => this.stage?.orbit(0, 0.02)),
      key('+|=', '+', 'closer', () => this.stage?.zoom(1 / 1.15)),
      key('-', '−', 'farther', () => this.stage?.zoom(1.15)),
      key('d|D', 'D', 'dark or light', () => this.setTheme(this.theme === 'dark' ? 'light' : 'dark')),
      key('?|h|H', '?', 'this sheet', () => this.sheet.showModal()),
    ];
  }

  private nextCut() {
    const at = kCuts.findIndex(([cut]) => cut === this.stage?.cut);
    this.setCut(kCuts[(at + 1) % kCuts.length][0]);
  }

  private setTheme(theme: Theme) {
    this.theme = theme;
    this.show(theme);
  }

  private show(theme: Theme) {
    this.shown = theme;
    document.documentElement.dataset.theme = this.shown;
    this.stage?.applyTheme();
    this.charts.applyTheme();
  }

  start() {
    this.clock.open(this.targetTime() ?? 0);
    requestAnimationFrame(() => requestAnimationFrame(() => (document.documentElement.dataset.ready = 'yes')));
  }
}

new Page(readData()).start();
