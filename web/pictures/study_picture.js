// One picture of a study: curves over one axis, some with a band of doubt around them. Pure.

import { fixed } from "../kit/format.js";
import { roundValues } from "./compare.js";
import { gridOf, pathOf, scale } from "./plot_lines.js";

export const STUDY_BOX = { width: 420, height: 230, left: 52, right: 10, top: 10, base: 188 };
const known = Number.isFinite;

function bandOf({ x: at, low, high }, x, y) {
  const places = at.map((_, i) => i).filter((i) => known(low[i]) && known(high[i]));
  if (places.length < 2) return "";
  const point = (values) => (i) => `${x(at[i]).toFixed(1)} ${y(values[i]).toFixed(1)}`;
  return `M${places.map(point(high)).join("L")}L${places.reverse().map(point(low)).join("L")}Z`;
}

/** Paths and bands by line, grid and ticks; a band cut off where it leaves thrice the extent of the curves. */
export function studyShape({ lines }) {
  const { width, left, right, top, base } = STUDY_BOX;
  const across = lines.flatMap((line) => line.x).filter(known);
  const [from, to] = [Math.min(...across), Math.max(...across)];
  const values = lines.flatMap((line) => line.y).filter(known);
  const room = Math.max(...values, 0) - Math.min(...values, 0);
  const limit = (value) => Math.max(Math.min(...values, 0) - room, Math.min(Math.max(...values, 0) + room, value));
  const bands = lines
    .flatMap((line) => [...line.low, ...line.high])
    .filter(known)
    .map(limit);
  const up = scale([...values, ...bands], [top, base]);
  const x = (t) => left + ((t - from) / (to - from || 1)) * (width - left - right);
  return {
    lines: lines.map((line) => ({
      name: line.name,
      path: pathOf(line.x, line.y, x, up.y),
      band: line.low.length ? bandOf(line, x, (value) => up.y(limit(value))) : "",
    })),
    grid: gridOf(up, 4),
    zero: up.y(0),
    ticks: roundValues(from, to, 5).map((t) => ({ x: x(t), text: ticked(t) })),
  };
}

const ticked = (value) => fixed(value, Number.isInteger(value) ? 0 : Math.abs(value) < 1 ? 2 : 1);

/** A number in three places, as the terminal has it. */
export function studyNumber(value) {
  if (!known(value)) return "\u2013";
  if (value === 0) return "0";
  const digits = Math.max(0, Math.min(6, 2 - Math.floor(Math.log10(Math.abs(value)))));
  return fixed(value, digits);
}

/** The 95 % interval of a number: "3.0 to 5.5", "" where there is none. */
export const studyInterval = ({ low, high }) =>
  known(low) || known(high) ? `${studyNumber(low)} to ${studyNumber(high)}` : "";
