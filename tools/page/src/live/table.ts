// SPDX-License-Identifier: GPL-3.0-or-later
// The verdicts, a row for each lock count, filled as they are decided; the row that is chosen is the segment on the ruler.

import { h } from '../dom.ts';
import { verdictSign } from '../signs.ts';
import { lockCount, quantity, sentence, verdictWord } from '../words.ts';
import type { Cell, Verdicts } from './api.ts';

const kStageWords: Record<Cell['stage'], string> = {
  waiting: 'waiting',
  deciding: 'being decided …',
  decided: 'final; a look for better follows',
  looking: 'final; looking for better …',
  finished: 'final',
  cancelled: 'stopped',
  refused: 'no such segment',
};

/** A question that its time left undecided is asked once more, for longer. */
const kOpenWords: Partial<Record<Cell['stage'], string>> = {
  decided: 'not decided yet; to be asked for longer',
  looking: 'not decided yet; being asked for longer …',
  finished: 'given up; withy plan with a larger budget asks on',
};
const stageWords = (cell: Cell) => (cell.verdict === 'undecided' && kOpenWords[cell.stage]) || kStageWords[cell.stage];

/** Names and what they mean: those of `withy plan`. */
const kColumns = [
  ['locks', 'on the segment'],
  ['verdict', 'can the tip get to the target and back?'],
  ['gap', 'least gap to the wall along the plan, mm'],
  ['reserve', 'the plan is proved to stand so many times the usual errors of a bench, all at once; known once a better plan was looked for'],
  ['switch', 'switch reserve: the field turns every lock with so many times the torque that it takes'],
];

export class VerdictTable {
  readonly element: HTMLElement;
  private readonly rows = h('tbody', {});
  private readonly why = h('p', { class: 'why', id: 'why', 'aria-live': 'polite' });
  private verdicts: Verdicts | null = null;
  private fresh = true;

  constructor(
    private chosen: number,
    private readonly choose: (locks: number) => void,
  ) {
    this.element = h(
      'section',
      { class: 'answers', 'aria-label': 'Verdicts' },
      h('table', { id: 'verdicts' }, h('thead', {}, h('tr', {}, ...kColumns.map(([name, title]) => h('th', { scope: 'col', title }, name)))), this.rows),
      this.why,
    );
  }

  setChosen(locks: number) {
    this.chosen = locks;
    this.draw();
  }

  /** `fresh`: are these the verdicts of the scene as it is? */
  set(verdicts: Verdicts, fresh: boolean) {
    this.verdicts = verdicts;
    this.fresh = fresh;
    this.draw();
  }

  cell(locks: number): Cell | undefined {
    return this.verdicts?.cells.find((c) => c.locks === locks);
  }

  private draw() {
    if (!this.verdicts) return;
    const focused = document.activeElement?.id;
    this.element.classList.toggle('stale', !this.fresh);
    this.rows.replaceChildren(...this.verdicts.cells.map((cell) => this.row(cell)));
    if (focused?.startsWith('locks-')) document.getElementById(focused)?.focus();
    const cell = this.cell(this.chosen);
    this.why.replaceChildren(...(cell ? this.reasons(cell) : []));
  }

  private row(cell: Cell): HTMLElement {
    const { plan } = cell;
    const pressed = cell.locks === this.chosen;
    return h(
      'tr',
      { class: `${cell.verdict ?? cell.stage}${pressed ? ' chosen' : ''}`, 'data-stage': cell.stage, 'data-locks': cell.locks },
      h('th', { scope: 'row' }, h('button', { type: 'button', id: `locks-${cell.locks}`, 'aria-pressed': pressed, onclick: () => this.choose(cell.locks) }, lockCount(cell.locks))),
      h('td', {}, cell.verdict ? verdictSign(cell.verdict) : null, h('span', { class: 'verdict-word' }, cell.verdict ? verdictWord[cell.verdict].toLowerCase() : kStageWords[cell.stage])),
      h('td', { class: 'n' }, quantity(plan?.clearance_mm, 'mm')),
      h('td', { class: 'n' }, quantity(plan?.reserve, '')),
      h('td', { class: 'n' }, quantity(plan?.field_reserve, '')),
    );
  }

  private reasons(cell: Cell): (HTMLElement | string)[] {
    const text = cell.refusal ?? cell.why ?? '';
    // How far the question is stands first, so that it is seen whatever there is to say.
    const parts: (HTMLElement | string)[] = [h('small', {}, `${sentence(stageWords(cell))}${cell.decided_s === undefined ? '' : ` ${cell.verdict === 'undecided' ? 'First given up' : 'Decided'} after ${quantity(1000 * cell.decided_s, 'ms', 0)}.`}`), ` ${sentence(text)}`];
    if (cell.depth) parts.push(` ${sentence(cell.depth.sentence)}`);
    if (cell.plan?.reserve != null && cell.not_checked?.includes('elastic')) parts.push(' Reserve: of the ideal segment; withy plan heeds the elastic one too.');
    if (cell.approach) parts.push(` ${sentence(`Nearest found: ${quantity(cell.approach.distance_mm, 'mm')} from the target: ${cell.approach.blocked_by}`)}`);
    return parts;
  }
}
