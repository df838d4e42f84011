// SPDX-License-Identifier: GPL-3.0-or-later
// Small helpers to build elements without a framework.

type Child = Node | string | null | undefined;
type Attributes = Record<string, string | number | boolean | EventListener | undefined>;

function fill(element: Element, attributes: Attributes, children: Child[]) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === undefined || (value === false && !name.startsWith('aria-'))) continue;
    if (typeof value === 'function') element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true && !name.startsWith('aria-') ? '' : String(value));
  }
  for (const child of children) if (child !== null && child !== undefined) element.append(child);
}

/** An HTML element; attributes that start with "on" are listeners. */
export function h<K extends keyof HTMLElementTagNameMap>(
  tag: K,
  attributes: Attributes = {},
  ...children: Child[]
): HTMLElementTagNameMap[K] {
  const element = document.createElement(tag);
  fill(element, attributes, children);
  return element;
}

/** An SVG element. */
export function s<K extends keyof SVGElementTagNameMap>(
  tag: K,
  attributes: Attributes = {},
  ...children: Child[]
): SVGElementTagNameMap[K] {
  const element = document.createElementNS('http://www.w3.org/2000/svg', tag);
  fill(element, attributes, children);
  return element;
}

/** Writes a text where it differs: an unchanged text costs no layout. */
export function say(element: Element, text: string) {
  if (element.textContent !== text) element.textContent = text;
}

/** The value of a CSS custom property of the page, as the theme in force sets it. */
export function tone(name: string): string {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}
