// SPDX-License-Identifier: GPL-3.0-or-later
// Names written beside the things in the picture, with a leader line, pushed apart where they would overlap.

import { s } from '../dom.ts';

export interface Label {
  text: string;
  /** Where the thing is, px in the pane. */
  x: number;
  y: number;
  /** Which way the text should stand off. */
  dx: number;
  dy: number;
  kind: string;
}

/** A box that names keep clear of, px in the pane. */
export interface Place {
  x: number;
  y: number;
  width: number;
  height: number;
}

/** From one line to the next, px: with room between one name's outline and another's. */
const kLineHeight = 20;

interface Placed extends Label {
  tx: number;
  ty: number;
  width: number;
}

function overlaps(a: Placed, b: Placed): boolean {
  return Math.abs(a.ty - b.ty) < kLineHeight && a.tx < b.tx + b.width + 6 && b.tx < a.tx + a.width + 6;
}

/** Does a name, which stands on its base line, lie over the box? */
function covers(a: Placed, box: Place): boolean {
  return a.tx < box.x + box.width && box.x < a.tx + a.width && a.ty - kLineHeight + 4 < box.y + box.height && box.y < a.ty + 4;
}

export class LabelLayer {
  readonly svg = s('svg', { class: 'labels', 'aria-hidden': 'true' });
  private readonly ruler = document.createElement('canvas').getContext('2d');

  private width(text: string): number {
    if (!this.ruler) return 7 * text.length;
    this.ruler.font = '600 12.5px system-ui, sans-serif';
    return this.ruler.measureText(text).width + 4;
  }

  /** Draws the names that find a place; `more` stands beside them, and what stands at `taken` stays in sight. */
  draw(labels: Label[], width: number, height: number, more: SVGElement[] = [], taken: Place[] = []) {
    this.svg.setAttribute('viewBox', `0 0 ${width} ${height}`);
    const placed: Placed[] = [];
    for (const label of labels) {
      if (label.x < -20 || label.y < -20 || label.x > width + 20 || label.y > height + 20) continue;
      const place = this.place(label, placed, taken, width, height);
      if (place) placed.push(place);
    }
    this.svg.replaceChildren(...more, ...placed.flatMap((p) => this.elements(p)));
  }

  /** Beside the thing on its own side, else on the other, on the nearest line with nothing under it; null where all are taken. */
  private place(label: Label, placed: Placed[], taken: Place[], width: number, height: number): Placed | null {
    const own = this.width(label.text);
    for (const dx of [label.dx, -label.dx]) {
      const tx = dx < 0 ? label.x + dx - own : label.x + dx;
      const place: Placed = { ...label, width: own, tx: Math.min(Math.max(4, tx), width - own - 4), ty: label.y + label.dy };
      const ty = this.clearLine(place, placed, taken, height);
      if (ty !== null) return { ...place, ty };
    }
    return null;
  }

  /** The line nearest to where the label wants to be with nothing under it: first on its own side, then on the other. */
  private clearLine(place: Placed, placed: Placed[], taken: Place[], height: number): number | null {
    const within = (y: number) => Math.min(Math.max(14, y), height - 8);
    const away = place.dy >= 0 ? kLineHeight : -kLineHeight;
    for (const step of [away, -away])
      for (let line = 0; line < 12; ++line) {
        const ty = place.ty + line * step;
        if (line > 0 && ty !== within(ty)) break;
        const tried = { ...place, ty: within(ty) };
        if (!placed.some((other) => overlaps(tried, other)) && !taken.some((box) => covers(tried, box))) return tried.ty;
      }
    return null;
  }

  private elements(p: Placed): SVGElement[] {
    const end = p.tx + p.width / 2 < p.x ? p.tx + p.width + 1 : p.tx - 3;
    const leader = s('path', { d: `M${p.x} ${p.y} L${end} ${p.ty - 4}`, class: `leader ${p.kind}` });
    const text = s('text', { x: p.tx, y: p.ty, class: `label ${p.kind}` }, p.text);
    return [leader, text];
  }
}
