// Small hands for the document: build once, then write only what changed.

import { unitsName } from "./units.js";

const SVG = "http://www.w3.org/2000/svg";

function fill(node, props, children) {
  for (const [name, value] of Object.entries(props)) {
    if (value === undefined || value === null || value === false) continue;
    if (name === "on") for (const [event, listener] of Object.entries(value)) node.addEventListener(event, listener);
    else if (name === "testid") node.setAttribute("data-testid", value);
    else if (name === "text") node.textContent = value;
    else node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children.filter((child) => child !== undefined && child !== null && child !== false));
  return node;
}

/** An HTML element: h("p", {class: "quiet", text: "..."}). Texts never become markup. */
export function h(tag, props = {}, ...children) {
  return fill(document.createElement(tag), props, children);
}

/** An SVG element. */
export function s(tag, props = {}, ...children) {
  return fill(document.createElementNS(SVG, tag), props, children);
}

export function setText(node, text) {
  const value = String(text);
  if (node.textContent !== value) node.textContent = value;
}

export function setAttr(node, name, value) {
  if (value === undefined || value === null || value === false) {
    if (node.hasAttribute(name)) node.removeAttribute(name);
    return;
  }
  const text = value === true ? "" : String(value);
  if (node.getAttribute(name) !== text) node.setAttribute(name, text);
}

export function setHidden(node, hidden) {
  // The attribute and not the property, which drawings (SVG) do not have.
  if (node.hasAttribute("hidden") !== Boolean(hidden)) node.toggleAttribute("hidden", Boolean(hidden));
}

export function setClass(node, name, on) {
  if (node.classList.contains(name) !== Boolean(on)) node.classList.toggle(name, Boolean(on));
}

/**
 * The box of an element as it was last laid out: {width, height}. Asking the element itself in the middle of an update
 * makes the browser lay out everything at once; here it tells by itself, and `changed` says that there is something to
 * draw.
 */
export function boxOf(node, changed) {
  const box = { width: 0, height: 0 };
  new ResizeObserver(([{ contentRect }]) => {
    box.width = Math.round(contentRect.width);
    box.height = Math.round(contentRect.height);
    changed();
  }).observe(node);
  return box;
}

/** Put the element's tone (quiet, good, caution, warning, danger, busy, stale) where the style sheet finds it. */
export function setTone(node, tone) {
  setAttr(node, "data-tone", tone || "none");
}

/**
 * Runs `build` again only when the key or the person's units changed: panels call it first in update(), so that another
 * session with another dictionary gets fresh markup and everything else is left alone.
 */
export function builder() {
  let last;
  let units;
  return (key, build) => {
    if (last === key && units === unitsName()) return false;
    last = key;
    units = unitsName();
    build();
    return true;
  };
}

/** Tells whether any of some values, or the person's units, changed: panels skip work when nothing they show did. */
export function watcher() {
  let last = [];
  return (...shown) => {
    const values = [...shown, unitsName()];
    const same = values.length === last.length && values.every((value, i) => Object.is(value, last[i]));
    last = values;
    return !same;
  };
}

/**
 * Keep a list of nodes in step with a list of items.
 * @param {Element} parent @param {any[]} items @param {(item) => string} keyOf @param {(item) => Element} make
 * @param {(node: Element, item) => void} update
 */
export function syncList(parent, items, keyOf, make, update) {
  parent.knownNodes ??= new Map();
  const known = parent.knownNodes;
  const wanted = new Set(items.map(keyOf));
  for (const [key, node] of known) {
    if (!wanted.has(key)) {
      node.remove();
      known.delete(key);
    }
  }
  let place = parent.firstChild;
  for (const item of items) {
    const key = keyOf(item);
    let node = known.get(key);
    if (!node) {
      node = make(item);
      known.set(key, node);
    }
    if (node !== place) parent.insertBefore(node, place);
    else place = place.nextSibling;
    update(node, item);
  }
}

/** One quiet line for a panel whose roles the dictionary does not have. */
export function absent(what) {
  return h("p", { class: "absent", text: `${what} not in this vehicle's dictionary.` });
}
