// Lines of a strip: from roles or columns to values in display units at a row and at a moment.

import { fixed, unitText, valueText } from "../kit/format.js";
import { gapLength } from "../session/decimate.js";
import { lastAtOrBefore } from "../session/table.js";

/** Where a line's values are: {table, bindings, name}; null while no values of it can come in this session. */
export function bound(view, series) {
  const roles = [...(series.roles ?? []), ...(series.minus ? [series.minus] : [])];
  if (roles.some((role) => view.lacks(role) || !view.store.roles.has(role))) return null;
  const bindings = series.bindings ?? series.roles.map((role) => view.store.roles.get(role));
  if (bindings.some((binding) => binding.table !== bindings[0].table)) return null;
  const table = view.store.tables.get(bindings[0].table);
  return table && { table, bindings, name: bindings[0].table, minus: other(view, series.minus) };
}

function other(view, role) {
  const binding = role && view.store.roles.get(role);
  if (!binding) return null;
  return { table: view.store.tables.get(binding.table), index: binding.index };
}

/** Value of a line in a row of its table, in display units. */
export function readerOf(series) {
  const { table, bindings, minus } = series.bound;
  const columns = bindings.map(({ index }) => table.columns[index]);
  const { column } = series;
  const factor = series.factor ?? 1; // to what the person reads
  const scale = (series.scale ?? column?.display_scale ?? 1) * factor;
  const offset = (column?.display_offset ?? 0) * factor;
  if (series.combine) return (row) => series.combine(...columns.map((one) => one[row])) * scale;
  if (minus) return (row) => (columns[0][row] - valueNear(minus.table, minus.index, table.t[row])) * scale;
  return (row) => columns[0][row] * scale + offset;
}

// Between two rows of the other table the straight line; over a gap or beyond the ends nothing that could be compared.
function valueNear(table, index, at) {
  const { t, n, columns } = table;
  const gap = gapLength(table);
  const row = lastAtOrBefore(t, n, at);
  const values = columns[index];
  if (row < 0) return NaN;
  if (t[row] === at || row + 1 >= n) return at - t[row] > gap ? NaN : values[row];
  if (t[row + 1] - t[row] > gap) return NaN;
  return values[row] + ((values[row + 1] - values[row]) * (at - t[row])) / (t[row + 1] - t[row]);
}

/** Row a line stands at, at timeline second t and not after row `until`; -1 in a gap and before the first. */
export function rowAt({ table }, t, until) {
  const row = lastAtOrBefore(table.t, until + 1, t);
  if (row < 0 || table.missing?.[row]) return -1;
  return t - table.t[row] > gapLength(table) ? -1 : row;
}

/** Value in a row as a number; undefined for row -1. */
export const valueIn = (series, row) => (row < 0 ? undefined : readerOf(series)(row));

const digitsOf = ({ unit, digits }) => digits ?? (unit === "deg/s" ? 0 : 1);

/** What a line reads in a row; two dashes for row -1. */
export function seriesText(series, row) {
  const { column, bound: where } = series;
  if (column && column.kind !== "number")
    return valueText(column, row < 0 ? undefined : where.table.columns[where.bindings[0].index][row]);
  return fixed(series.minus && Number.isNaN(valueIn(series, row)) ? undefined : valueIn(series, row), digitsOf(series));
}

/** The difference between two rows with its sign; two dashes where one is not known. */
export function differenceText(series, row, from) {
  const difference = row < 0 || from < 0 ? undefined : valueIn(series, row) - valueIn(series, from);
  if (!Number.isFinite(difference)) return fixed(undefined);
  const text = fixed(difference, digitsOf(series));
  return difference > 0 ? `+${text}` : text;
}

/** A number beside its unit, for a mark on the picture. */
export const short = (value, unit) => `${fixed(value, Math.abs(value) < 10 ? 1 : 0)} ${unitText(unit)}`.trim();
