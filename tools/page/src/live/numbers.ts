// SPDX-License-Identifier: GPL-3.0-or-later
// Every number of the scene with its slider, unit and range, a sheet for each table of the file.

import { h } from '../dom.ts';
import type { Change, LiveScene, NumberFact } from './api.ts';

/** A change under a name, made up when its turn has come; `refused` hears that it was not granted. */
type Put = (name: string, make: () => Change[], gesture: string, refused: () => void) => void;
type Said = (text: string) => void;

/** "curvature_max_per_mm" -> "curvature max"; the unit stands beside the number. */
function label(key: string): string {
  const name = key.slice(key.lastIndexOf('.') + 1);
  return name.replace(/_(g_per_mm|per_mm|Nmm2|Nmm|mm_per_s|mT_per_A|mm|deg|mT|N|Am2|s|ohm|A|g)$/, '').replace(/_/g, ' ');
}

/** What a slider spans: about twice the value, within the range. */
function span({ least, most, unit }: NumberFact, value: number): [number, number] {
  if (unit === 'deg' && most === 360) return [least < 0 && value < 0 ? -360 : 0, 360];
  if (least < 0) {
    const about = Math.max(10, Math.abs(value) * 0.5);
    return unit === '' && most > 1e5 ? [-1, 1] : [Math.max(least, value - about), Math.min(most, value + about)];
  }
  return [least, Math.min(most, value > 0 ? 2 * value : 1)];
}

/** As fine as a slider is. */
function rounded(value: number): number {
  return Number(value.toPrecision(6));
}

interface Row {
  slider: HTMLInputElement;
  box: HTMLInputElement;
  element: HTMLElement;
}

export class Numbers {
  readonly element = h('div', { class: 'sheets' });
  private readonly rows = new Map<string, Row>();
  private readonly words = new Map<string, HTMLSelectElement>();
  private scene: LiveScene | null = null;
  private gestures = 0;
  private shape = '';

  constructor(
    private readonly put: Put,
    private readonly said: Said,
  ) {}

  set(scene: LiveScene) {
    this.scene = scene;
    const shape = scene.numbers.map((n) => `${n.key}${Array.isArray(n.value) ? n.value.length : ''}`).join();
    if (shape !== this.shape) this.build(scene);
    this.shape = shape;
    for (const fact of scene.numbers) this.values(fact).forEach((value, i) => this.show(fact, value, i));
    for (const { key, value } of scene.choices) {
      const list = this.words.get(key);
      if (list) list.value = value;
    }
  }

  private values(fact: NumberFact): number[] {
    return Array.isArray(fact.value) ? fact.value : [fact.value];
  }

  private build(scene: LiveScene) {
    const open = new Set([...this.element.querySelectorAll('details[open]')].map((d) => (d as HTMLElement).dataset.table));
    if (open.size === 0) open.add('segment');
    this.rows.clear();
    this.words.clear();
    const tables = new Map<string, HTMLElement[]>();
    const sheet = (key: string) => {
      const table = key.slice(0, key.lastIndexOf('.'));
      if (!tables.has(table)) tables.set(table, []);
      return tables.get(table) as HTMLElement[];
    };
    for (const fact of scene.numbers) this.values(fact).forEach((_, i) => sheet(fact.key).push(this.row(fact, i)));
    for (const choice of scene.choices) sheet(choice.key).push(this.choice(choice));
    this.element.replaceChildren(
      ...[...tables].map(([table, rows]) => h('details', { 'data-table': table, open: open.has(table) }, h('summary', {}, table.replace('layout.', 'layout, locks: ')), ...rows)),
    );
  }

  private row(fact: NumberFact, index: number): HTMLElement {
    const many = Array.isArray(fact.value);
    const part = many ? ` ${(this.values(fact).length === 3 && /_mm$|axis$|direction$|per_A$/.test(fact.key) ? ['x', 'y', 'z'] : [])[index] ?? index + 1}` : '';
    const id = `n-${fact.key}${many ? `-${index + 1}` : ''}`;
    const range = `${fact.or_zero ? '0 or ' : ''}${fact.above ? 'above ' : ''}${rounded(fact.least)} to ${rounded(fact.most)} ${fact.unit}`.trim();
    const slider = h('input', { type: 'range', id: `${id}-slider`, 'aria-label': `${label(fact.key)}${part}` });
    const box = h('input', { type: 'number', id, step: 'any', 'aria-label': `${label(fact.key)}${part}, ${range}` });
    let gesture = '';
    slider.addEventListener('pointerdown', () => (gesture = `${id} ${++this.gestures} ${Date.now()}`));
    slider.addEventListener('pointerup', () => (gesture = ''));
    slider.addEventListener('input', () => {
      box.value = slider.value;
      this.change(fact.key, index, rounded(Number(slider.value)), gesture || `${id} keys`);
    });
    // What a browser can't read as a number it hands over as an empty text.
    box.addEventListener('change', () => {
      const read = box.value.trim() === '' ? Number.NaN : Number(box.value);
      if (Number.isFinite(read)) return this.change(fact.key, index, read, '');
      const there = this.fact(fact.key);
      if (there) box.value = String(this.values(there)[index]);
      this.said(`${label(fact.key)}${part}: no number was given, so it stays at ${box.value}; give a number ${range}`);
    });
    const element = h('div', { class: 'number' }, h('label', { for: id }, `${label(fact.key)}${part}`), slider, box, h('small', { title: `${range}: ${fact.reason}` }, fact.unit || '–'));
    this.rows.set(id, { slider, box, element });
    return element;
  }

  private choice({ key, choices }: LiveScene['choices'][number]): HTMLElement {
    const list = h('select', { id: `n-${key}`, onchange: () => this.choose(key, list) }, ...choices.map((c) => h('option', { value: c }, c)));
    this.words.set(key, list);
    return h('div', { class: 'number' }, h('label', { for: `n-${key}` }, label(key)), list);
  }

  private choose(key: string, list: HTMLSelectElement) {
    const { value } = list;
    const back = () => {
      const there = this.scene?.choices.find((c) => c.key === key);
      if (there && list.value === value) list.value = there.value;
    };
    this.put(key, () => [{ key, value }], '', back);
  }

  private show(fact: NumberFact, value: number, index: number) {
    const row = this.rowOf(fact, index);
    if (!row) return;
    if (document.activeElement !== row.box) row.box.value = String(value);
    const held = row.slider.matches(':active');
    if (held) return;
    const [low, high] = span(fact, value);
    row.slider.min = String(rounded(low));
    row.slider.max = String(rounded(high));
    row.slider.step = 'any';
    row.slider.value = String(value);
  }

  /** Has a number that is typed and not entered count as entered. */
  commit() {
    const { activeElement } = document;
    if (activeElement instanceof HTMLElement && this.element.contains(activeElement)) activeElement.blur();
  }

  private rowOf(fact: NumberFact, index: number): Row | undefined {
    return this.rows.get(`n-${fact.key}${Array.isArray(fact.value) ? `-${index + 1}` : ''}`);
  }

  private fact(key: string): NumberFact | undefined {
    return this.scene?.numbers.find((n) => n.key === key);
  }

  private change(key: string, index: number, value: number, gesture: string) {
    const fact = this.fact(key);
    if (!fact || !Number.isFinite(value)) return;
    const asked = this.rowOf(fact, index)?.box.value;
    const make = () => {
      const there = this.fact(key);
      if (!there) return [];
      if (!Array.isArray(there.value)) return [{ key, value }];
      return [{ key, value: there.value.map((old, i) => (i === index ? value : old)) }];
    };
    this.put(`${key} ${index}`, make, gesture, () => this.back(key, index, asked));
  }

  /** Shows the number in force again, unless another was asked for meanwhile. */
  private back(key: string, index: number, asked: string | undefined) {
    const there = this.fact(key);
    const row = there && this.rowOf(there, index);
    if (!there || !row) return;
    if (row.box.value === asked) row.box.value = String(this.values(there)[index]);
    this.show(there, this.values(there)[index], index);
  }
}
