// SPDX-License-Identifier: GPL-3.0-or-later
// The bench in the browser: the picture, the segment on its ruler, the verdicts, the numbers, the driving deck; one desk behind all.

import { h, say } from '../dom.ts';
import { interpolate, type Design, type Vec3 } from '../kinematics.ts';
import { bodyState } from '../data.ts';
import { lockCount, sentence } from '../words.ts';
import { desk, Gone, Newest, uncheckedWords, type Change, type LiveScene, type ShownPlan, type Verdicts } from './api.ts';
import { Deck } from './deck.ts';
import { Numbers } from './numbers.ts';
import { Ruler } from './ruler.ts';
import { VerdictTable } from './table.ts';
import { BenchView } from './view.ts';

/** A drag goes on to its next place once the verdict of the last is there, or after so long (ms). */
const kDragPatience = 200;
const kPoll_s = 15;
const kRetry = 2000;
/** How often another window's driving is shown at most, ms. */
const kFollow = 150;
/** And how often it is asked for while this window drives, ms: nothing is to be shown then. */
const kOwnDriving = 400;
/** A record that takes longer to save says so (s). */
const kLongSave_s = 5;

const pause = (ms: number) => new Promise((done) => setTimeout(done, ms));
const rounded = (v: Vec3): Vec3 => v.map((c) => Math.round(1000 * c) / 1000) as Vec3;

class Bench {
  private scene!: LiveScene;
  /** The scene that is being put in its place. */
  private placing: Promise<void> = Promise.resolve();
  private verdicts: Verdicts | null = null;
  private locks = 1;
  /** Why the last change was refused; empty where it was not. */
  private refusal = '';
  private plan: ShownPlan | null = null;
  private readonly edits = new Newest((now) => (document.documentElement.dataset.editing = now ? 'yes' : 'no'));
  private readonly view: BenchView;
  private readonly ruler: Ruler;
  private readonly table: VerdictTable;
  private readonly numbers: Numbers;
  private readonly deck: Deck;
  private readonly status = h('p', { id: 'said', class: 'said', role: 'status' });
  private readonly undo = h('button', { type: 'button', id: 'undo', onclick: () => void this.replace(() => desk.undo()) }, 'Undo');
  private readonly redo = h('button', { type: 'button', id: 'redo', onclick: () => void this.replace(() => desk.redo()) }, 'Redo');
  private readonly save = h('button', { type: 'button', id: 'save-scene', onclick: () => void this.saveScene() }, 'Save scene');
  private readonly scrub = h('input', { type: 'range', id: 'scrub', min: 0, max: 1, step: 0.02, value: 0, disabled: true, 'aria-label': 'along the plan' });
  private readonly folder = h('input', { type: 'text', id: 'folder', value: 'answer', 'aria-label': 'folder beside the scene for plan, scripts, page and picture' });
  private readonly unkept = h('p', { id: 'unkept', class: 'bad', role: 'alert', hidden: true });
  private readonly title = h('h1', {});
  private readonly cautions = h('p', { class: 'caution-line' });

  constructor() {
    this.view = new BenchView({
      target: (point, gesture) => this.change('target.point_mm', () => [{ key: 'target.point_mm', value: rounded(point) }], gesture),
      direction: (direction, gesture) => this.change('target.direction', () => [{ key: 'target.direction', value: direction.map((c) => Math.round(1e4 * c) / 1e4) }], gesture),
      enter: (opening) => void this.replace(() => desk.enter(opening)),
    });
    this.ruler = new Ruler({
      station: (lock, station_mm, gesture) => this.changeLayout(lock, 'station_mm', station_mm, gesture),
      clock: (lock, clock_deg, gesture) => this.changeLayout(lock, 'clock_deg', clock_deg, gesture),
    });
    this.table = new VerdictTable(this.locks, (locks) => void this.choose(locks));
    this.numbers = new Numbers(
      (name, make, gesture, refused) => this.change(name, make, gesture, refused),
      (text) => this.say(text, true),
    );
    this.deck = new Deck(this.locks, {
      moved: (figures) => {
        this.view.showHand(figures);
        this.sayUnkept(figures.unkept);
        Object.assign(document.documentElement.dataset, { updates: this.deck.updates, drawn: this.view.drawings });
      },
      said: (text, bad) => this.say(text, bad),
    });
    this.scrub.addEventListener('input', () => this.showPlan());
    this.build();
    this.setTheme(matchMedia('(prefers-color-scheme: dark)').matches ? 'dark' : 'light');
  }

  private build() {
    const button = (id: string, text: string, act: () => unknown) => h('button', { type: 'button', id, onclick: () => void act() }, text);
    document.body.append(
      h('header', { class: 'top' }, this.title, this.cautions, h('div', { class: 'top-buttons' }, this.undo, this.redo, this.save, button('picture', 'Picture', () => this.savePicture()), button('theme', 'Dark or light', () => this.setTheme(document.documentElement.dataset.theme === 'dark' ? 'light' : 'dark')))),
      h(
        'main',
        { class: 'bench' },
        h(
          'div',
          { class: 'see' },
          this.view.element,
          h('div', { class: 'view-tools' }, ...(['open', 'glass', 'section'] as const).map((cut) => button(`cut-${cut}`, { open: 'Open side', glass: 'Glass', section: 'Section' }[cut], () => this.view.setCut(cut))), button('fit', 'Whole view', () => this.view.fit()), this.roomKey()),
        ),
        h(
          'div',
          { class: 'side' },
          this.table.element,
          h('div', { class: 'ask-tools' }, button('ask', 'Ask again', () => this.askAgain()), button('cancel', 'Stop asking', () => desk.cancel().catch((e) => this.fail(e)))),
          this.numbers.element,
        ),
        h('div', { class: 'lay' }, this.ruler.element),
        this.deck.element,
        h(
          'div',
          { class: 'course-tools', role: 'group', 'aria-label': 'Plan and sequence' },
          button('show-plan', 'See the plan', () => this.fetchPlan()),
          this.scrub,
          button('take', 'Take over here', () => this.take()),
          h('span', { class: 'gap' }),
          button('back', 'Step back', () => this.deck.act(() => desk.back(this.locks))),
          button('reset', 'To the start', () => this.deck.act(() => desk.reset(this.locks))),
          button('onward', 'Plan on from here', () => this.deck.act(() => desk.onward(this.locks))),
          button('verify', 'Verify', () => this.verify()),
          h('span', { class: 'gap' }),
          h('label', { for: 'folder' }, 'into'),
          this.folder,
          button('save-plan', 'Save plan', () => this.savePlan(false)),
          button('save-driven', 'Save driven', () => this.savePlan(true)),
        ),
        h('div', { class: 'said-lines' }, this.unkept, this.status),
      ),
    );
  }

  private roomKey(): HTMLElement {
    return h('span', { class: 'room-key' }, 'room for the body: ', h('i', { class: 'room-none' }), 'none ', h('i', { class: 'room-tight' }), 'tight ', h('i', { class: 'room-wide' }), 'three times its size');
  }

  private say(text: string, bad = false) {
    say(this.status, sentence(text));
    this.status.classList.toggle('bad', bad);
  }

  /** As long as what is unsaved can't be kept; empty: all is well. */
  private sayUnkept(why: string) {
    say(this.unkept, sentence(why));
    this.unkept.hidden = why === '';
  }

  private fail(error: unknown) {
    this.say((error as Error).message, true);
  }

  private setTheme(theme: 'light' | 'dark') {
    document.documentElement.dataset.theme = theme;
    this.view.applyTheme();
  }

  private design(): Design | null {
    return this.scene.designs.find((d) => d.locks === this.locks)?.design ?? null;
  }

  private show(scene: LiveScene) {
    this.scene = scene;
    document.documentElement.dataset.revision = String(scene.revision);
    say(this.title, scene.scene.title);
    this.title.title = scene.scene.title;
    this.sayUnkept(scene.unkept);
    say(this.cautions, scene.cautions.join(' '));
    this.undo.disabled = !scene.can_undo;
    this.redo.disabled = !scene.can_redo;
    this.save.classList.toggle('due', scene.unsaved);
    const design = this.design();
    this.view.setScene(scene.scene, design);
    if (design) this.ruler.set(design);
    this.numbers.set(scene);
    if (this.verdicts) this.table.set(this.verdicts, this.verdicts.revision === scene.revision);
  }

  /** Shows another scene of the desk's, one after the other; whoever hears of it first brings it, and nothing older follows it. */
  private put(scene: LiveScene): Promise<void> {
    const placed = this.placing.then(() => this.place(scene));
    this.placing = placed.catch(() => {});
    return placed;
  }

  private async place(scene: LiveScene) {
    if (this.scene && scene.revision <= this.scene.revision) return;
    this.dropPlan();
    if (scene.channel !== this.scene?.channel) await this.fetchChannel();
    this.show(scene);
    await this.deck.open(this.locks);
  }

  private async fetchChannel() {
    this.view.setChannel(await desk.channel());
    desk.centreline().then((line) => this.view.setCentreline(line), (e) => this.fail(e));
  }

  private async replace(job: () => Promise<LiveScene>) {
    try {
      await this.typed();
      await this.put(await job());
      this.refusal = '';
      this.say('');
    } catch (error) {
      this.fail(error);
    }
  }

  /** Waits until what was typed and dragged has been answered. */
  private async typed() {
    this.numbers.commit();
    await this.edits.settled();
  }

  /**
   * Of changes of one name that come faster than they are answered only the newest is made. What is changed is made up once its turn
   * has come, of the scene as it then is. `refused` hears that it was not granted.
   */
  private change(name: string, make: () => Change[], gesture: string, refused: () => void = () => {}) {
    this.edits.run(name, async () => {
      try {
        const changes = make();
        if (changes.length === 0) return;
        const scene = await desk.edit(changes, gesture);
        this.refusal = '';
        const began = performance.now();
        await this.put(scene);
        this.say('');
        while (gesture !== '' && performance.now() - began < kDragPatience && !this.decided(scene.revision)) await pause(5);
      } catch (error) {
        this.refusal = this.withPlace((error as Error).message);
        refused();
        this.say(this.refusal, true);
      }
    });
  }

  /** What is in the way of another lock count's layout is moved away there. */
  private withPlace(refusal: string): string {
    const locks = Number(/layout\.(\d+), with /.exec(refusal)?.[1] ?? this.locks);
    return locks === this.locks ? refusal : `${refusal}; choose ${lockCount(locks)} in the table to move it there`;
  }

  private decided(revision: number): boolean {
    const cell = this.verdicts?.revision === revision ? this.table.cell(this.locks) : undefined;
    return cell !== undefined && cell.stage !== 'waiting' && cell.stage !== 'deciding';
  }

  private changeLayout(lock: number, what: 'station_mm' | 'clock_deg', value: number, gesture: string) {
    const locks = this.locks;
    const make = () => {
      const there = this.scene.designs.find((d) => d.locks === locks);
      if (!there?.design) return [];
      const { station_mm, clock_rad } = there.design;
      const layout = { station_mm: [...station_mm], clock_deg: clock_rad.map((rad) => Math.round((rad * 1800) / Math.PI) / 10) };
      layout[what][lock] = value;
      // A layout that the file does not have yet is written whole.
      const written = there.assumed ? (['station_mm', 'clock_deg'] as const) : [what];
      return written.map((key): Change => ({ key: `layout.${locks}.${key}`, value: layout[key] }));
    };
    this.change(`layout.${locks}.${what} ${lock}`, make, gesture);
  }

  private async choose(locks: number) {
    this.locks = locks;
    this.dropPlan();
    this.table.setChosen(locks);
    document.documentElement.dataset.locks = String(locks);
    this.show(this.scene);
    await this.deck.open(locks);
    // The chosen count is asked first from now on.
    const open = this.verdicts?.cells.some((c) => c.locks === locks && !c.verdict && c.stage !== 'refused');
    if (open) await this.askAgain();
  }

  private async askAgain() {
    const usual = [0, 1, 2, 3, this.scene.layout_in_use];
    const counts = [...new Set([this.locks, ...usual])];
    await desk.ask(counts).catch((e) => this.fail(e));
  }

  private dropPlan() {
    this.plan = null;
    this.scrub.disabled = true;
  }

  private async fetchPlan() {
    try {
      const plan = await desk.plan(this.locks, false);
      if (plan.plan.actions.length === 0) return this.say(`with ${lockCount(this.locks)} there is no plan: ${plan.plan.why}`);
      this.plan = plan;
      const target = plan.plan.actions.filter((a) => a.leg === 'in').length;
      this.scrub.max = String(plan.plan.actions.length);
      this.scrub.disabled = false;
      this.scrub.value = String(target);
      this.showPlan();
      this.say(plan.plan.why);
    } catch (error) {
      this.fail(error);
    }
  }

  private showPlan() {
    if (!this.plan) return;
    const { plan, design } = this.plan;
    const at = Math.min(Number(this.scrub.value), plan.actions.length - 1e-6);
    const action = plan.actions[Math.floor(at)];
    const body = interpolate(design, bodyState(plan.states[action.from]), bodyState(plan.states[action.to]), at - Math.floor(at));
    this.view.showBody(body, null);
  }

  private async take() {
    if (!this.plan) return this.say('see a plan first', true);
    const actions = Math.round(Number(this.scrub.value));
    await this.deck.act(() => desk.take(this.locks, actions));
    this.dropPlan();
  }

  private async verify() {
    try {
      const { holds, step, why, not_checked, save_s } = await desk.verify(this.locks);
      const long = save_s !== undefined && save_s > kLongSave_s ? `; to save it takes about ${Math.round(save_s)} s` : '';
      this.say(holds ? [`it holds: ${why}${long}`, ...uncheckedWords(not_checked)].join('; ') : `it does not hold${step === null ? '' : `, step ${step}`}: ${why}`, !holds);
    } catch (error) {
      this.fail(error);
    }
  }

  private async saveScene() {
    try {
      await this.typed();
      const { saved } = await desk.saveScene();
      this.say([`saved: ${saved}`, ...this.refused()].join('; '), this.refusal !== '');
      this.show(await desk.scene());
    } catch (error) {
      this.fail(error);
    }
  }

  /** What a file that is saved now does not hold, though it was asked for last. */
  private refused(): string[] {
    return this.refusal === '' ? [] : [`without the last change, which was refused: ${this.refusal}`];
  }

  private async savePlan(by_hand: boolean) {
    try {
      await this.typed();
      const refused = this.refused();
      this.say('saving');
      const { saved, verdict, not_checked, left_out } = await desk.savePlan(this.locks, this.folder.value, by_hand);
      this.say([`${verdict}; saved in ${saved}`, ...uncheckedWords(not_checked), ...left_out, ...refused].join('; '), refused.length > 0);
      this.show(await desk.scene());
    } catch (error) {
      this.fail(error);
    }
  }

  private savePicture() {
    h('a', { href: this.view.picture(), download: 'bench.png' }).click();
    this.say('the picture was handed to the browser to save');
  }

  private async poll() {
    for (;;) {
      try {
        const seen = this.verdicts?.version ?? -1;
        const verdicts = await desk.verdicts(seen, this.deck.driven, kPoll_s);
        this.verdicts = verdicts;
        this.sayUnkept(verdicts.unkept);
        if (verdicts.version !== seen) this.table.set(verdicts, verdicts.revision === this.scene.revision);
        document.documentElement.dataset.settled = String(verdicts.settled && verdicts.revision === this.scene.revision);
        if (verdicts.revision > this.scene.revision && this.edits.idle) await this.put(await desk.scene());
        const followed = await this.deck.follow(verdicts.driven);
        if (verdicts.version === seen) await pause(followed ? kFollow : kOwnDriving);
      } catch (error) {
        this.fail(error);
        await pause(error instanceof Gone ? kRetry : kRetry / 4);
      }
    }
  }

  async start() {
    let scene = await desk.scene();
    this.locks = scene.layout_in_use;
    // Another count may have been put in use since the desk was opened.
    if (!scene.designs.some((d) => d.locks === this.locks)) {
      await desk.ask([this.locks, 0, 1, 2, 3]);
      scene = await desk.scene();
    }
    this.table.setChosen(this.locks);
    document.documentElement.dataset.locks = String(this.locks);
    await this.put(scene);
    if (scene.notes.length > 0) this.say(scene.notes.join('; '));
    // For whoever has to find the handles without eyes: tests, and assistive programs.
    (window as unknown as { placeOf: BenchView['placeOf'] }).placeOf = (what) => this.view.placeOf(what);
    void this.poll();
    requestAnimationFrame(() => requestAnimationFrame(() => (document.documentElement.dataset.ready = 'yes')));
  }
}

new Bench().start().catch((error: Error) => {
  document.body.append(h('p', { class: 'said bad', role: 'alert' }, sentence(error.message)));
});
