// Small helpers: what stands in the page is only touched where it is another.
const SVG = "http://www.w3.org/2000/svg";

export const by = (id) => document.getElementById(id);

export function say(id, text) {
  const element = typeof id === "string" ? by(id) : id;
  const words = text === null || text === undefined ? "" : String(text);
  if (element.textContent !== words) element.textContent = words;
}

export function mark(element, name, value) {
  const text = String(value);
  if (element.getAttribute(name) !== text) element.setAttribute(name, text);
}

export function show(element, seen) {
  if (element.hidden === seen) element.hidden = !seen;
}

export function make(tag, attributes = {}, ...inside) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...inside);
  return element;
}

export function shape(tag, attributes = {}, ...inside) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...inside);
  return element;
}

// Puts other children in only if what they are made of has changed.
const before = new WeakMap();
export function fill(element, value, children) {
  const key = JSON.stringify(value);
  if (before.get(element) === key) return;
  before.set(element, key);
  element.replaceChildren(...children());
}

export function content(name) {
  return document.querySelector(`meta[name=${name}]`).content;
}

// How long a text is, in steps: style.css makes letters smaller where there are many.
export function length(element, text, steps) {
  mark(element, "data-long", steps.filter((step) => text.length > step).length);
}
