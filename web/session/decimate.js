// From columns to what a chart can draw: a window of one series, gaps as null, spikes kept by min and max.

import { lastAtOrBefore } from "./table.js";

/** More points than this in a window are drawn as the least and greatest of each bucket. */
export const MOST_POINTS = 2000;

const GAP_PERIODS = 3.5;
const LEAST_GAP_S = 0.35;

const SAMPLED_ROWS = 101;
const periods = new WeakMap();

/**
 * Longest time (s) between two rows of a table that still counts as connected; Infinity for what only happens now and
 * then. The station's own tables state no rate, but follow the vehicle's: theirs is what their rows usually are apart.
 * @param {import("./table.js").Table} table
 */
export function gapLength(table) {
  const { rate_hz, computed } = table.meta;
  if (rate_hz > 0) return Math.max(LEAST_GAP_S, GAP_PERIODS / rate_hz);
  return computed ? Math.max(LEAST_GAP_S, GAP_PERIODS * periodOf(table)) : Infinity;
}

// The median over rows spread through the table, looked at again only once it has doubled.
function periodOf(table) {
  const { t, n } = table;
  if (n < 3) return Infinity;
  const known = periods.get(table);
  if (known && n < known.n * 2) return known.period;
  const step = Math.max(1, Math.floor((n - 1) / SAMPLED_ROWS));
  const apart = [];
  for (let row = table.coarse ?? 0; row + 1 < n; row += step) apart.push(t[row + 1] - t[row]);
  const period = apart.sort((a, b) => a - b)[apart.length >> 1] ?? Infinity;
  periods.set(table, { n, period });
  return period;
}

/**
 * One series between timeline seconds a and b.
 * @param {import("./table.js").Table} table
 * @param {(row:number) => number} read value in display units
 * @param {number} last newest row that may be shown
 * @returns {{x:number[], y:(number|null)[], marks:{x:number, word:string}[]}} x ascending and unique; null is a gap;
 *   marks are the non-finite values, which are never drawn as numbers
 */
export function windowOf(table, read, a, b, last = table.n - 1) {
  const n = last + 1;
  const from = Math.max(0, lastAtOrBefore(table.t, n, a) - 1);
  const to = Math.min(n - 1, lastAtOrBefore(table.t, n, b) + 1);
  const points = [];
  const marks = [];
  const size = Math.max(1, Math.ceil((to - from + 1) / (MOST_POINTS / 2)));
  if (size <= 2) for (let row = from; row <= to; row++) take(table, read, row, points, marks);
  else
    for (let row = from; row <= to; row += size)
      takeBucket(table, read, row, Math.min(to, row + size - 1), points, marks);
  return line(points, marks, gapRule(table, size > 2 ? size : 1));
}

// Where the table itself was thinned the rows are further apart, and that alone is no gap.
function gapRule(table, size) {
  const fine = gapLength(table) * size;
  if (!table.coarse) return () => fine;
  const until = table.t[table.coarse];
  const coarse = Math.max(fine, (GAP_PERIODS * size * (until - table.t[0])) / table.coarse);
  return (x) => (x <= until ? coarse : fine);
}

function take(table, read, row, points, marks) {
  const value = table.missing?.[row] ? undefined : read(row);
  if (Number.isFinite(value)) points.push({ x: table.t[row], y: value });
  else {
    points.push({ x: table.t[row], y: null });
    if (value !== undefined)
      marks.push({
        x: table.t[row],
        word: Number.isNaN(value) ? "not a number" : value > 0 ? "+infinite" : "\u2212infinite",
      });
  }
}

function takeBucket(table, read, first, last, points, marks) {
  let low = -1;
  let high = -1;
  for (let row = first; row <= last; row++) {
    const value = read(row);
    if (!Number.isFinite(value)) {
      take(table, read, row, points, marks);
      continue;
    }
    if (low < 0 || value < read(low)) low = row;
    if (high < 0 || value > read(high)) high = row;
  }
  if (low < 0) return;
  for (const row of low === high ? [low] : [Math.min(low, high), Math.max(low, high)])
    take(table, read, row, points, marks);
}

// A late packet arrives out of order, so the points are sorted before a gap is looked for.
function line(points, marks, gap) {
  const sorted = points.every((point, i) => i === 0 || points[i - 1].x <= point.x)
    ? points
    : [...points].sort((p, q) => p.x - q.x);
  const x = [];
  const y = [];
  for (const point of sorted) {
    const previous = x.length ? x[x.length - 1] : undefined;
    if (previous !== undefined && point.x - previous > gap(point.x)) {
      x.push((previous + point.x) / 2);
      y.push(null);
    }
    if (point.x === previous) {
      y[y.length - 1] = point.y;
      continue;
    }
    x.push(point.x);
    y.push(point.y);
  }
  return { x, y, marks };
}

/**
 * Several series over one common x, as the chart wants them: undefined where a series has no point at that x.
 * @returns {[number[], ...(number|null|undefined)[][]]}
 */
export function merge(lines, zero = 0) {
  if (lines.length === 1) return [lines[0].x.map((x) => x - zero), lines[0].y];
  const all = [...new Set(lines.flatMap((one) => one.x))].sort((p, q) => p - q);
  const place = new Map(all.map((x, i) => [x, i]));
  const columns = lines.map((one) => {
    const column = new Array(all.length).fill(undefined);
    one.x.forEach((x, i) => {
      column[place.get(x)] = one.y[i];
    });
    return column;
  });
  return [all.map((x) => x - zero), ...columns];
}

/** Least and greatest finite value of some columns with a little air, never narrower than `least`, never flat. */
export function valueRange(columns, least) {
  let low = Infinity;
  let high = -Infinity;
  for (const column of columns) {
    for (const value of column) {
      if (value === null || value === undefined) continue;
      if (value < low) low = value;
      if (value > high) high = value;
    }
  }
  if (low > high) return [0, least];
  const middle = (low + high) / 2;
  const flat = least > 0 ? 0 : Math.abs(middle) * 0.002 || 0.5;
  const half = Math.max((high - low) * 0.54, least / 2, flat);
  return [middle - half, middle + half];
}
