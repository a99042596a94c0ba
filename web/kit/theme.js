// Light for the sun, dark for dusk. Charts read their colors from the style sheet through here.

const KEY = "blockhouse.theme";
const media = matchMedia("(prefers-color-scheme: dark)");
let cache = new Map();
const listeners = [];

function apply() {
  document.documentElement.dataset.theme = current();
  cache = new Map();
  for (const listener of listeners) listener();
}

/** "light" or "dark". */
export function current() {
  return localStorage.getItem(KEY) ?? (media.matches ? "dark" : "light");
}

export function toggle() {
  localStorage.setItem(KEY, current() === "dark" ? "light" : "dark");
  apply();
}

/** Value of a color of the style sheet, for example color("--ink"). */
export function color(name) {
  if (!cache.has(name)) cache.set(name, getComputedStyle(document.documentElement).getPropertyValue(name).trim());
  return cache.get(name);
}

export function onTheme(listener) {
  listeners.push(listener);
}

export function startTheme() {
  media.addEventListener("change", apply);
  apply();
}
