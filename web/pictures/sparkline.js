// A flight's height as one small line: what tells recordings apart at a look. Pure.

import { lengthText } from "../kit/format.js";

/**
 * @param {(number|null)[]|null} values evenly in time; null where nothing was heard
 * @returns {{line: string, ground: number, top: {x: number, y: number}|null}} SVG path, y of zero, place of the
 * greatest
 */
export function sparkline(values, width, height) {
  const known = (values ?? []).filter((one) => one !== null);
  const high = Math.max(1, ...known);
  const low = Math.min(0, ...known);
  const x = (i) => (values.length > 1 ? (i / (values.length - 1)) * width : 0);
  const y = (value) => 2 + (1 - (value - low) / (high - low)) * (height - 4);
  let line = "";
  let pen = "M";
  let top = null;
  (values ?? []).forEach((value, i) => {
    if (value === null) {
      pen = "M";
      return;
    }
    line += `${pen}${x(i).toFixed(1)} ${y(value).toFixed(1)}`;
    pen = "L";
    if (value === high && !top) top = { x: x(i), y: y(value) };
  });
  return { line, ground: y(0), top };
}

/** The same in words. */
export function sparklineWords(values) {
  const known = (values ?? []).filter((one) => one !== null);
  if (!known.length) return "No flight in it.";
  return `Height over time: up to ${lengthText(Math.max(...known))}.`;
}
