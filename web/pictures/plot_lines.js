// A curve's way over a small picture: scale, path, round values beside it. Pure.

import { fixed } from "../kit/format.js";
import { roundValues } from "./compare.js";

const known = Number.isFinite;

/** The scale of values, zero among them, over pixels from `high` down to `low`. */
export function scale(values, [high, low]) {
  const told = values.filter(known);
  const from = Math.min(0, ...told);
  const to = Math.max(0, ...told);
  const span = to - from || 1;
  return { from, to: from + span, y: (value) => low - ((value - from) / span) * (low - high) };
}

/** The path of a curve, broken where nothing is known. */
export function pathOf(t, values, x, y) {
  let pen = "M";
  let path = "";
  values.forEach((value, i) => {
    if (!known(value)) {
      pen = "M";
      return;
    }
    path += `${pen}${x(t[i]).toFixed(1)} ${y(value).toFixed(1)}`;
    pen = "L";
  });
  return path;
}

/** Round values of a scale with their words: [{y, text}]. */
export const gridOf = ({ from, to, y }, count) => {
  const values = roundValues(from, to, count);
  const step = values.length > 1 ? Math.abs(values[1] - values[0]) : 1;
  const digits = Math.max(0, Math.min(3, -Math.floor(Math.log10(step) + 1e-9)));
  return values.map((value) => ({ y: y(value), text: fixed(value, digits) }));
};
