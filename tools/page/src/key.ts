// SPDX-License-Identifier: GPL-3.0-or-later
// Keys, and the sheet that lists them; the legend of the picture.

import { h, s } from './dom.ts';

export interface Key {
  keys: string[];
  shown: string;
  does: string;
  act: () => void;
}

/** Letters act wherever the focus is, but in a field; space and Enter on a button or row stay with it. */
export function listenToKeys(keys: Key[]) {
  document.addEventListener('keydown', (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const at = event.target as HTMLElement;
    if (at.closest('select, input, dialog[open]')) return;
    if ((event.key === ' ' || event.key === 'Enter') && at.closest('button, summary, a')) return;
    const key = keys.find((k) => k.keys.includes(event.key));
    if (!key) return;
    event.preventDefault();
    key.act();
  });
}

export function keySheet(keys: Key[]): HTMLDialogElement {
  const rows = keys.map((k) => h('tr', {}, h('th', { scope: 'row' }, k.shown), h('td', {}, k.does)));
  const close = h('button', { type: 'button' }, 'Close');
  const sheet = h('dialog', { id: 'keys', 'aria-label': 'Keys' }, h('h2', {}, 'Keys'), h('table', {}, h('tbody', {}, ...rows)), h('p', {}, 'In the picture: drag turns, right drag shifts, the wheel zooms once the picture is clicked.'), close);
  close.addEventListener('click', () => sheet.close());
  return sheet;
}

/** What the shapes in the picture mean. */
export function legend(guide: boolean, elastic: boolean): HTMLElement {
  const item = (name: string, ...parts: SVGElement[]) => h('span', {}, s('svg', { viewBox: '0 0 34 14', 'aria-hidden': 'true' }, ...parts), name);
  const box = (x: number, y: number, w: number, t: number, kind: string) => s('rect', { x, y, width: w, height: t, class: kind });
  const ribs = [0, 1, 2, 3].flatMap((i) => [box(1 + 8 * i, 2, 4.5, 10, 'k-frozen'), box(5.5 + 8 * i, 3.3, 3.5, 7.4, 'k-groove')]);
  return h(
    'div',
    { class: 'legend' },
    item('free', s('rect', { x: 1, y: 2, width: 32, height: 10, rx: 4, class: 'k-free' })),
    item('frozen', ...ribs),
    item('lock held', box(1, 5, 32, 4, 'k-shaft'), box(10, 1, 14, 12, 'k-held')),
    item('lock open', box(1, 5, 32, 4, 'k-shaft'), box(10, 1, 4, 12, 'k-open'), box(20, 1, 4, 12, 'k-open')),
    item(guide ? 'shaft and guide' : 'shaft', box(1, 3, 32, 8, 'k-shaft')),
    item('target', s('circle', { cx: 17, cy: 7, r: 5, class: 'k-target' }), s('path', { d: 'M9 7 H25 M17 0 V14', class: 'k-target' })),
    item('tightest gap', s('path', { d: 'M8 7 H26 M8 3 V11 M26 3 V11', class: 'k-gap' })),
    elastic ? item('ideal body', s('rect', { x: 1, y: 2, width: 32, height: 10, rx: 4, class: 'k-ideal' })) : null,
    item('way of the tip', s('path', { d: 'M1 7 H33', class: 'k-path' })),
  );
}
