// The geometry of strips over one time axis: ticks, phase bands, labels that never lie on each other, the scale that a
// landing's shock does not set, and what it cuts off. Times in seconds, places in pixels. Pure.

import { fixed } from "../kit/format.js";
import { valueRange } from "../session/decimate.js";

const STEPS = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400];
const TICK_APART_PX = 76;
/** The shock comes a little before the moment that is judged to be the landing. */
const SHOCK_S = 1;
/** With less than this share of the window before it, the landing is what is being looked at. */
const BEFORE_SHARE = 0.1;

const decimals = (step) => (step >= 1 ? 0 : step >= 0.1 ? 1 : 2);

/**
 * Ticks of the time axis from a to b (seconds from lift-off) over `width` pixels: [{t, x, text}].
 * The words of two neighbors never meet, and none reaches over the edge.
 */
export function timeTicks(a, b, width) {
  if (!(b > a) || !(width > 0)) return [];
  const step = STEPS.find((one) => (one / (b - a)) * width >= TICK_APART_PX) ?? STEPS.at(-1);
  const ticks = [];
  for (let i = Math.ceil(a / step - 1e-9); i * step <= b + 1e-9; i++) {
    const t = i * step;
    const x = ((t - a) / (b - a)) * width;
    ticks.push({ t, x, text: x >= 12 && x <= width - 18 ? `${fixed(t, decimals(step))} s` : "" });
  }
  return ticks;
}

/** The part of each phase that lies between a and b: [{phase, from, to, odd}]; `odd` alternates for shading. */
export function bandsOf(phases, a, b) {
  return phases
    .map((one, i) => ({ phase: one.phase, from: Math.max(a, one.from), to: Math.min(b, one.to), odd: i % 2 === 1 }))
    .filter(({ from, to }) => to > from);
}

/**
 * Labels in rows, so that none lies on another and none reaches over an edge. Each is {key, x, width, rank}; it stands
 * to the right of its line at x, or to the left of it near the right edge. Returns those that found room with {left,
 * row}; the lower rank finds it first.
 */
export function layLabels(items, width, rows, gap = 6) {
  const taken = Array.from({ length: rows }, () => []);
  const placed = [];
  const sorted = [...items].sort((p, q) => p.rank - q.rank || p.x - q.x);
  for (const item of sorted) {
    if (item.x < 0 || item.x > width) continue;
    const spot = spotOf(item, width, taken, gap);
    if (!spot) continue;
    taken[spot.row].push([spot.left, spot.left + item.width]);
    placed.push({ ...item, ...spot });
  }
  return placed;
}

function spotOf(item, width, taken, gap) {
  for (let row = 0; row < taken.length; row++)
    for (const left of [item.x + 3, item.x - 3 - item.width]) {
      if (left < 0 || left + item.width > width) continue;
      const free = taken[row].every(([from, to]) => left >= to + gap || left + item.width + gap <= from);
      if (free) return { left, row };
    }
  return undefined;
}

/**
 * Places moved apart until neighbors are `gap` from each other, each as near to where it wants to be as the bounds
 * allow, in the given order of wishes. What does not fit between the bounds is pressed together evenly.
 */
export function spread(wishes, gap, low, high) {
  const order = wishes.map((_, i) => i).sort((p, q) => wishes[p] - wishes[q]);
  const apart = Math.min(gap, wishes.length > 1 ? (high - low) / (wishes.length - 1) : gap);
  const places = new Array(wishes.length);
  let before = -Infinity;
  for (const i of order) {
    places[i] = Math.max(low, wishes[i], before + apart);
    before = places[i];
  }
  let after = Infinity;
  for (const i of order.reverse()) {
    places[i] = Math.max(low, Math.min(places[i], high, after - apart));
    after = places[i];
  }
  return places;
}

/**
 * Range of values of a strip: from what comes before the landing's shock while anything of that is shown, so that the
 * shock does not flatten the flight. `x` and columns as the chart has them, `landing` on the same axis or undefined.
 */
export function scaleOf(x, columns, least, landing) {
  const until = landing === undefined ? Infinity : landing - SHOCK_S;
  const n = x.findIndex((one) => one > until);
  if (n < 0 || until - x[0] < BEFORE_SHARE * (x.at(-1) - x[0])) return valueRange(columns, least);
  const before = columns.map((column) => column.slice(0, n));
  const known = before.some((column) => column.some(Number.isFinite));
  return valueRange(known ? before : columns, least);
}

/** Runs of values beyond the scale, each as its farthest: [{x, value, above}]. */
export function beyond(x, column, low, high) {
  const runs = [];
  let run = null;
  for (let i = 0; i < x.length; i++) {
    const value = column[i];
    if (value === undefined) continue;
    const above = value > high;
    if (value === null || !(above || value < low)) {
      run = null;
      continue;
    }
    if (run?.above !== above) {
      run = { x: x[i], value, above };
      runs.push(run);
    } else if (above ? value > run.value : value < run.value) Object.assign(run, { x: x[i], value });
  }
  return runs;
}

/** Where a column ends: its last finite value at or before `until`, as {x, value}; undefined when it has none. */
export function endOf(x, column, until = Infinity) {
  for (let i = x.length - 1; i >= 0; i--)
    if (x[i] <= until && Number.isFinite(column[i])) return { x: x[i], value: column[i] };
  return undefined;
}

/** A strip as a sentence: what it shows, from when to when, and the least and greatest of each line. */
export function stripWords(title, unit, [a, b], names, x, columns) {
  const inside = (i) => x[i] >= a && x[i] <= b;
  const lines = names.map((name, s) => {
    const values = columns[s].filter((value, i) => inside(i) && Number.isFinite(value));
    if (values.length === 0) return `${name} not heard`;
    const low = values.reduce((p, q) => Math.min(p, q));
    const high = values.reduce((p, q) => Math.max(p, q));
    return `${name} ${fixed(low)} to ${fixed(high)}`;
  });
  return `${title}${unit ? `, ${unit}` : ""}, from ${fixed(a)} to ${fixed(b)} s: ${lines.join("; ")}`;
}
