// Curves over one time axis, drawn as plain SVG: for comparing flights and for the onboard log over the radio's.

import { h, s } from "./dom.js";
import { fixed } from "./format.js";

const WIDTH = 900;
const NARROW = 420; // of a phone, or its letters would shrink with the drawing
const HEIGHT = 150;
const LEFT = 56;
const BOTTOM = 20;
const DASHES = ["", "9 5", "3 4", "12 4 3 4", "2 6", "16 6"];

/** Least and greatest of each pixel column, so that no spike is lost and no point is drawn twice. */
function reduce(t, values, from, to, columns) {
  const out = [];
  const step = (to - from) / columns;
  let column = -1;
  let low, high, lowT, highT;
  const flush = () => {
    if (column < 0 || low === undefined) return;
    if (lowT <= highT) out.push([lowT, low], ...(lowT === highT ? [] : [[highT, high]]));
    else out.push([highT, high], [lowT, low]);
  };
  for (let i = 0; i < t.length; i++) {
    if (t[i] < from || t[i] > to) continue;
    if (!Number.isFinite(values[i])) {
      flush();
      low = undefined;
      if (out.length && out[out.length - 1] !== null) out.push(null);
      continue;
    }
    const at = Math.floor((t[i] - from) / step);
    if (at !== column || low === undefined) {
      flush();
      column = at;
      low = high = values[i];
      lowT = highT = t[i];
      continue;
    }
    if (values[i] < low) {
      low = values[i];
      lowT = t[i];
    }
    if (values[i] > high) {
      high = values[i];
      highT = t[i];
    }
  }
  flush();
  return out;
}

/**
 * @param {string} title @param {{name: string, t: ArrayLike<number>, values: ArrayLike<number>}[]} curves
 * @param {[number, number]} range seconds shown
 */
export function overlay(title, curves, [from, to]) {
  const width = globalThis.innerWidth < 700 ? NARROW : WIDTH;
  const reduced = curves.map((curve) => reduce(curve.t, curve.values, from, to, width - LEFT));
  const all = reduced
    .flat()
    .filter(Boolean)
    .map(([, value]) => value);
  const low = Math.min(0, ...all);
  const high = Math.max(low + 1e-6, ...all);
  const x = (t) => LEFT + ((t - from) / (to - from)) * (width - LEFT - 4);
  const y = (value) => HEIGHT - BOTTOM - ((value - low) / (high - low)) * (HEIGHT - BOTTOM - 8);
  const lines = reduced.map((points, i) =>
    s("path", { class: `curve -c${i}`, "stroke-dasharray": DASHES[i % DASHES.length], d: pathOf(points, x, y) }),
  );
  const marks = [low, (low + high) / 2, high].flatMap((value) => [
    s("line", { class: "curve-grid", x1: LEFT, x2: width, y1: y(value), y2: y(value) }),
    s("text", {
      class: "curve-text",
      x: LEFT - 6,
      y: y(value) + 4,
      "text-anchor": "end",
      text: fixed(value, Math.abs(high - low) < 20 ? 1 : 0),
    }),
  ]);
  const seconds = ticks(from, to, width < WIDTH ? 5 : 9).map((t) =>
    s("text", { class: "curve-text", x: x(t), y: HEIGHT - 4, "text-anchor": "middle", text: `${t} s` }),
  );
  const legend = h(
    "p",
    { class: "curve-legend" },
    ...curves.map(({ name }, i) =>
      h(
        "span",
        { class: `legend -c${i}` },
        s(
          "svg",
          { class: "legend-line", viewBox: "0 0 34 8" },
          s("path", { class: `curve -c${i}`, "stroke-dasharray": DASHES[i % DASHES.length], d: "M0 4 H34" }),
        ),
        name,
      ),
    ),
  );
  return h(
    "div",
    { class: "overlay" },
    h("p", { class: "overlay-title", text: title }),
    legend,
    s(
      "svg",
      {
        class: "overlay-drawing",
        viewBox: `0 0 ${width} ${HEIGHT}`,
        role: "img",
        "aria-label": `${title}: ${curves.map(({ name }) => name).join(", ")}`,
      },
      ...marks,
      ...seconds,
      ...lines,
    ),
  );
}

function pathOf(points, x, y) {
  let pen = "M";
  return points
    .map((point) => {
      if (point === null) {
        pen = "M";
        return "";
      }
      const part = `${pen}${x(point[0]).toFixed(1)} ${y(point[1]).toFixed(1)}`;
      pen = "L";
      return part;
    })
    .join("");
}

function ticks(from, to, most) {
  const step = [0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300].find((one) => (to - from) / one <= most) ?? 600;
  const first = Math.ceil(from / step) * step;
  return Array.from(
    { length: Math.floor((to - first) / step) + 1 },
    (_, i) => Math.round((first + i * step) * 10) / 10,
  );
}
