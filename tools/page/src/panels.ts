// SPDX-License-Identifier: GPL-3.0-or-later
// The written parts: verdict and why, figures against their limits, where things stand now, the table of actions,
// the comparison of lock counts, what was checked, and the cautions.

import type { PageData, PlanAction, PlanEntry } from './data.ts';
import { h, say } from './dom.ts';
import { bend } from './kinematics.ts';
import type { Clock, Moment, Track } from './playback.ts';
import { actionKey, actionSign, verdictSign } from './signs.ts';
import { actionWords, bendWords, huntWords, keyWords, largest, lockCount, locksOnBoard, quantity, sentence, verdictMeaning, verdictWord } from './words.ts';

type Summary = Record<string, number | boolean | null>;

const summaryOf = (entry: PlanEntry): Summary => entry.plan.summary ?? {};

function figure(entry: PlanEntry, key: string): number | null {
  const value = summaryOf(entry)[key];
  return typeof value === 'number' ? value : null;
}

/** A figure with the limit it is held to. `floor`: the limit is the least allowed, not the most. */
interface Figure {
  name: string;
  value: number | null;
  limit: number | null;
  unit: string;
  digits: number;
  floor?: boolean;
}

function figures(entry: PlanEntry, { scene }: PageData): Figure[] {
  const list: Figure[] = [
    { name: 'clearance', value: figure(entry, 'clearance_mm'), limit: figure(entry, 'clearance_required_mm') ?? scene.required_clearance_mm, unit: 'mm', digits: 2, floor: true },
    { name: 'tip off target', value: figure(entry, 'tip_error_mm'), limit: scene.target.tolerance_mm, unit: 'mm', digits: 2 },
    { name: 'tip direction off', value: scene.target.direction ? figure(entry, 'tip_direction_error_deg') : null, limit: scene.target.direction_tolerance_deg, unit: '°', digits: 1 },
    { name: 'largest pull', value: figure(entry, 'pull_max_mm'), limit: scene.stroke_max_mm, unit: 'mm', digits: 2 },
    { name: 'largest tension', value: figure(entry, 'tension_max_N'), limit: scene.tension_max_N, unit: 'N', digits: 2 },
    { name: 'largest field', value: figure(entry, 'field_max_mT'), limit: scene.field_max_mT, unit: 'mT', digits: 1 },
    { name: 'largest lock load', value: entry.plan.locks > 0 ? figure(entry, 'lock_moment_max_Nmm') : null, limit: figure(entry, 'lock_moment_limit_Nmm'), unit: 'N·mm', digits: 1 },
    { name: 'largest curvature', value: figure(entry, 'curvature_max_per_mm'), limit: scene.curvature_max_per_mm, unit: '/mm', digits: 4 },
  ];
  return list.filter((f) => f.value !== null);
}

/** A bar that fills towards the limit's tick; for a floor the tick is what must be passed. */
function figureBar(f: Figure): HTMLElement {
  const value = f.value ?? 0;
  const span = Math.max(Math.abs(value), f.limit ?? 0, 1e-9) * (f.floor ? 1.15 : 1.05);
  const percent = (v: number) => `${Math.min(100, (100 * Math.abs(v)) / span)}%`;
  const held = f.limit === null || (f.floor ? value >= f.limit : value <= f.limit);
  const bound = f.limit === null ? 'no limit given' : `${f.floor ? 'at least' : 'at most'} ${quantity(f.limit, f.unit, f.digits)}`;
  return h(
    'div',
    { class: `figure ${held ? '' : 'broken'}` },
    h('span', { class: 'figure-name' }, f.name),
    h('b', {}, quantity(value, f.unit, f.digits)),
    h(
      'span',
      { class: 'figure-bar', 'aria-hidden': 'true' },
      h('i', { class: f.floor ? 'floor' : '', style: `width:${percent(value)}` }),
      f.limit === null ? null : h('u', { style: `left:${percent(f.limit)}` }),
    ),
    h('small', {}, held ? bound : `${bound}: not held`),
  );
}

function counts(entry: PlanEntry): string {
  const { plan } = entry;
  if (plan.actions.length === 0) return '';
  const switches = plan.actions.filter((a) => a.kind === 'lock' || a.kind === 'unlock').length;
  const inward = plan.actions.filter((a) => a.leg === 'in').length;
  const words = [`${plan.actions.length} actions (${inward} in, ${plan.actions.length - inward} out)`, `${switches} lock switches`];
  const seconds = figure(entry, 'duration_s');
  if (seconds !== null) words.push(`${quantity(seconds, 's', 0)} of motion`);
  if (summaryOf(entry).preset === true) words.push('a shape is preset and locked outside the channel first');
  return words.join(' · ');
}

export function verdictPanel(entry: PlanEntry, data: PageData): HTMLElement {
  const { plan } = entry;
  const list = figures(entry, data);
  return h(
    'section',
    { class: `verdict ${plan.verdict}`, 'aria-label': 'Verdict' },
    h(
      'div',
      { class: 'verdict-head' },
      verdictSign(plan.verdict),
      h('div', {}, h('h2', { id: 'verdict' }, `${verdictWord[plan.verdict]} with ${locksOnBoard(plan)}`), h('p', { class: 'meaning' }, verdictMeaning[plan.verdict])),
    ),
    h('p', { class: 'why', id: 'why' }, sentence(plan.why)),
    ...grounds(entry, true),
    h('p', { class: 'counts' }, counts(entry)),
    list.length > 0 ? h('div', { class: 'figures' }, ...list.map(figureBar)) : null,
  );
}

function approachLine({ plan }: PlanEntry): HTMLElement | null {
  const a = plan.approach;
  if (!a || plan.verdict === 'reached') return null;
  const away = a.distance_mm === undefined ? '' : `${quantity(a.distance_mm, 'mm')} from ${a.from ?? 'the target'}`;
  const words = [away, a.blocked_by ?? ''].filter((w) => w !== '').join(': ');
  return h('p', { class: 'approach' }, h('b', {}, 'Nearest found: '), words || 'shown in the picture');
}

function depthLine({ plan }: PlanEntry, id: string | undefined): HTMLElement | null {
  if (!plan.depth || plan.verdict === 'reached') return null;
  return h('p', { class: 'depth', id }, h('b', {}, 'How deep: '), sentence(plan.depth.sentence));
}

function listed(title: string, sentences: string[], id?: string): HTMLElement | null {
  if (sentences.length === 0) return null;
  return h('div', { class: 'remedies' }, h('b', {}, title), h('ul', { id }, ...sentences.map((s) => h('li', {}, sentence(s)))));
}

/** What is said of an answer without a plan; `alone`: no other answer is on the page, so that ids are free. */
function grounds(entry: PlanEntry, alone: boolean): (HTMLElement | null)[] {
  const { plan } = entry;
  const id = (name: string) => (alone ? name : undefined);
  return [
    depthLine(entry, id('depth')),
    approachLine(entry),
    listed('Where it is open:', plan.open ? [plan.open.sentence] : [], id('open')),
    listed('What might decide it:', plan.might_decide ?? [], id('might-decide')),
    listed('What would do:', plan.remedies ?? [], id('remedies')),
  ];
}

/** Lock counts side by side: a row each. */
export function comparePanel(data: PageData): HTMLElement {
  const switches = ({ plan }: PlanEntry) => plan.actions.filter((a) => a.kind === 'lock' || a.kind === 'unlock').length;
  const count = (value: (e: PlanEntry) => number) => (e: PlanEntry) => (e.plan.actions.length > 0 ? String(value(e)) : '–');
  const number = (key: string, unit: string, digits: number) => (e: PlanEntry) => quantity(figure(e, key), unit, digits);
  const columns: [string, (entry: PlanEntry) => string][] = [
    ['fails %', (e) => percent(figure(e, 'chance_to_fail_high'))],
    ['stands', number('reserve', '', 2)],
    ['clearance', number('clearance_mm', 'mm', 2)],
    ['tip off target', number('tip_error_mm', 'mm', 2)],
    ['lock switches', count(switches)],
    ['actions', count((e) => e.plan.actions.length)],
    ['largest pull', number('pull_max_mm', 'mm', 2)],
    ['largest tension', number('tension_max_N', 'N', 2)],
    ['largest field', number('field_max_mT', 'mT', 1)],
    ['least reserve of a switch', number('field_reserve', '', 2)],
    ['motion', number('duration_s', 's', 0)],
    ['decided in', (e) => quantity(e.plan.seconds, 's', 2)],
  ];
  const percent = (share: number | null) => quantity(share === null ? null : 100 * share, '', 2);
  const head = h('tr', {}, ...['locks', 'verdict', ...columns.map(([name]) => name)].map((name) => h('th', { scope: 'col' }, name)));
  const rows = data.plans.map((e) =>
    h(
      'tr',
      {},
      h('th', { scope: 'row' }, lockCount(e.plan.locks)),
      h('td', {}, h('span', { class: `cell-verdict ${e.plan.verdict}` }, verdictSign(e.plan.verdict), verdictWord[e.plan.verdict])),
      ...columns.map(([, value]) => h('td', { class: 'n' }, value(e))),
    ),
  );
  return h('section', { class: 'compare scroll', 'aria-label': 'Lock counts side by side' }, h('table', { id: 'compare' }, h('thead', {}, head), h('tbody', {}, ...rows)), h('p', { class: 'counts' }, 'fails %: benches with usual errors that fail, the upper bound; stands: times those errors, proved'));
}

/** Where one plan stands at the clock's time. */
export class NowPanel {
  readonly element: HTMLElement;
  private readonly line = h('p', { class: 'now-action', id: 'now' });
  private readonly cells = h('dl', { class: 'now-cells' });
  private doing = '';
  private names = '';

  constructor(
    private readonly track: Track,
    private readonly clock: Clock,
    titled: boolean,
  ) {
    const { entry } = track;
    const about = titled ? [h('h3', {}, `${lockCount(entry.plan.locks)}: ${verdictWord[entry.plan.verdict].toLowerCase()}`), h('p', { class: 'why' }, sentence(entry.plan.why)), ...grounds(entry, false)] : [];
    this.element = h('section', { class: 'now', 'aria-label': titled ? `With ${lockCount(entry.plan.locks)}` : 'Now' }, ...about, this.line, this.cells);
    clock.listen(() => this.update());
    this.update();
  }

  private update() {
    const moment = this.track.at(this.clock.time);
    const { plan } = this.track.entry;
    const action = plan.actions[moment.action];
    const doing = `${moment.action} ${this.track.isAtTarget(this.clock.time)}`;
    if (doing !== this.doing) this.name(action, moment);
    this.doing = doing;
    this.write(this.facts(moment, action));
  }

  private name(action: PlanAction | undefined, moment: Moment) {
    const { plan } = this.track.entry;
    if (action) {
      const head = h('span', { class: 'now-number' }, `${moment.action + 1} of ${plan.actions.length}, way ${action.leg}${this.track.isAtTarget(this.clock.time) ? ', tip at the target' : ''}`);
      this.line.replaceChildren(actionSign(actionKey(action, plan.states)), h('b', {}, actionWords(this.track.entry, action)), head);
    } else {
      this.line.replaceChildren(h('b', {}, plan.approach?.state ? 'Shown at the nearest state that was found' : 'No plan to play'));
    }
  }

  private write(facts: [string, string][]) {
    const names = facts.map(([name]) => name).join();
    if (names !== this.names) this.cells.replaceChildren(...facts.map(([name]) => h('div', {}, h('dt', {}, name), h('dd', {}))));
    this.names = names;
    this.cells.querySelectorAll('dd').forEach((dd, i) => say(dd, facts[i][1]));
  }

  private facts(moment: Moment, action: PlanAction | undefined): [string, string][] {
    const { design } = this.track.entry;
    const { body } = moment;
    const facts: [string, string][] = [['insertion', quantity(body.insertion_mm, 'mm', 1)]];
    const gap = this.track.gapAt(moment);
    if (action) facts.push(['gap now', gap ? quantity(gap.clearance_mm, 'mm') : 'not inside yet']);
    body.regions.forEach((region, i) => {
      const free = i === body.regions.length - 1;
      const name = free ? 'free part' : `frozen part ${i + 1}`;
      facts.push([name, bendWords(bend(design, region, body.insertion_mm))]);
    });
    body.locked.forEach((held, i) => facts.push([`lock ${i + 1}`, held ? '■ held' : '□ open']));
    if (action?.field_mT) facts.push(['field', quantity(Math.hypot(...action.field_mT), 'mT', 1)]);
    if (action?.hunt) facts.push(['hunt', huntWords(action.hunt)]);
    if (action?.current_A) facts.push(['coil currents', action.current_A.map((a) => quantity(a, 'A')).join(', ')]);
    if (typeof action?.field_reserve === 'number') facts.push(['reserve of the switch', quantity(action.field_reserve, '', 2)]);
    return facts;
  }
}

/** The table of actions; a row goes to its action. */
export class ActionTable {
  readonly element: HTMLElement;
  private readonly rows: HTMLElement[];

  constructor(
    private readonly track: Track,
    private readonly clock: Clock,
    titled: boolean,
  ) {
    const { plan } = track.entry;
    this.rows = plan.actions.map((action, k) => this.row(action, k));
    const heads = ['#', 'leg', 'action', 'insertion', 'clearance', 'largest pull', 'largest tension', 'field', 'time'];
    const head = h('tr', {}, ...heads.map((text) => h('th', { scope: 'col' }, text)));
    const name = titled ? `Actions with ${lockCount(plan.locks)}` : 'Actions';
    this.element = h(
      'section',
      { class: 'actions', 'aria-label': name },
      h('h2', {}, name),
      h('div', { class: 'scroll' }, h('table', { class: 'action-table' }, h('thead', {}, head), h('tbody', {}, ...this.rows))),
    );
    clock.listen(() => this.update());
    this.update();
  }

  private row(action: PlanAction, k: number): HTMLElement {
    const { entry, start } = this.track;
    const to = entry.plan.states[action.to];
    const go = () => {
      this.clock.play(false);
      this.clock.seek(start[k]);
    };
    const row = h(
      'tr',
      { tabindex: 0, class: `${action.leg} ${entry.plan.actions[k - 1]?.leg === action.leg ? '' : 'leg-begins'}`, onclick: go },
      h('td', {}, String(k + 1)),
      h('td', {}, action.leg),
      h('td', { class: 'what' }, actionSign(actionKey(action, entry.plan.states)), actionWords(entry, action)),
      h('td', { class: 'n' }, quantity(to.insertion_mm, 'mm', 1)),
      h('td', { class: 'n' }, action.clearance_mm === null ? 'outside' : quantity(action.clearance_mm, 'mm')),
      h('td', { class: 'n' }, quantity(largest(to.pull_mm), 'mm')),
      h('td', { class: 'n' }, quantity(largest(to.tension_N), 'N')),
      h('td', { class: 'n' }, action.field_mT ? quantity(Math.hypot(...action.field_mT), 'mT', 1) : ''),
      h('td', { class: 'n' }, quantity(start[k + 1] - start[k], 's', 1)),
    );
    row.addEventListener('keydown', (event) => {
      if (event.key !== 'Enter') return;
      event.preventDefault();
      go();
    });
    return row;
  }

  private update() {
    const now = this.track.actionAt(this.clock.time);
    this.rows.forEach((row, k) => {
      row.classList.toggle('now', k === now);
      if (k === now) row.setAttribute('aria-current', 'step');
      else row.removeAttribute('aria-current');
    });
  }
}

/** A value of the proof's record in words; nested records are spelt out in one line. */
function recordValue(value: unknown): string {
  if (value === null || value === undefined) return '–';
  if (typeof value === 'number') return Number.isInteger(value) ? value.toLocaleString('en') : quantity(value, '', Math.abs(value) < 1 ? 4 : 2);
  if (Array.isArray(value)) return value.map(recordValue).join(', ');
  if (typeof value === 'object') return Object.entries(value).map(([k, v]) => `${keyWords(k)} ${recordValue(v)}`).join('; ');
  return String(value);
}

function recordList(record: Record<string, unknown>): HTMLElement {
  const lines = Object.entries(record).map(([k, v]) => h('div', {}, h('dt', {}, keyWords(k)), h('dd', {}, recordValue(v))));
  return h('dl', { class: 'record' }, ...lines);
}

export function groundsPanel(entry: PlanEntry, titled: boolean): HTMLElement {
  const { plan } = entry;
  const list = (words: string[]) => (words.length > 0 ? words.join(', ') : 'nothing');
  const proofTitle = plan.verdict === 'unreachable' ? 'The proof' : 'What the search covered';
  return h(
    'section',
    { class: 'grounds', 'aria-label': 'Grounds' },
    h('h2', {}, titled ? `Grounds with ${lockCount(plan.locks)}` : 'Grounds'),
    titled ? h('p', { class: 'why' }, sentence(plan.why)) : null,
    h('p', {}, h('b', {}, 'Checked: '), list(plan.checked), '. ', h('b', {}, 'Not checked: '), list(plan.not_checked), '.'),
    plan.proof ? h('details', { open: plan.verdict !== 'reached' }, h('summary', {}, proofTitle), recordList(plan.proof)) : null,
    h('details', {}, h('summary', {}, 'The segment'), recordList(plan.segment)),
  );
}

export function drawingNote({ channel, plans }: PageData): string {
  const whole = channel.triangles_in_file.toLocaleString('en');
  if (channel.triangles_shown >= channel.triangles_in_file) return `The channel is drawn with all its ${whole} triangles.`;
  const off = channel.deviation_mm === null ? '' : `, at most ${quantity(channel.deviation_mm, 'mm', 3)} off at the ${channel.deviation_points.toLocaleString('en')} points measured`;
  const told = plans.some((p) => p.plan.actions.length > 0) ? ' Every figure was computed on the full mesh.' : '';
  return `The channel is drawn simplified, with ${channel.triangles_shown.toLocaleString('en')} of its ${whole} triangles${off}.${told}`;
}

export function sourcePanel(data: PageData): HTMLElement {
  const { plan } = data.plans[0];
  return h(
    'section',
    { class: 'source', 'aria-label': 'Source' },
    h('h2', {}, 'Where this comes from'),
    h('p', {}, `${data.program}. Scene ${data.scene.file}, mesh ${data.scene.mesh_file}, seed ${plan.seed}. ${drawingNote(data)}`),
    h('p', { class: 'hash' }, `scene sha256 ${plan.scene.sha256}`, h('br'), `mesh sha256 ${plan.scene.mesh_sha256}`),
  );
}

export function cautionPanel(cautions: string[]): HTMLElement {
  return h('section', { class: 'cautions', id: 'cautions', 'aria-label': 'Cautions' }, h('h2', {}, 'Cautions'), h('ul', {}, ...cautions.map((c) => h('li', {}, c))));
}
