// What is painted on a strip beside its lines: phases and silence below them; events, ends, and what does not fit
// above.

import { color } from "../kit/theme.js";
import { beyond, endOf, spread } from "../pictures/strip_shapes.js";
import { short } from "./series.js";

const END_APART_PX = 11;
const END_PX = 3.2;
const HATCH_PX = 7;

const ratio = () => window.devicePixelRatio || 1;

/** Shade every second phase and hatch the time in which nothing was heard. Places are seconds of the chart's axis. */
export function paintGround(chart, { bands, silence }) {
  const { ctx: pen, bbox } = chart;
  pen.save();
  pen.beginPath();
  pen.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  pen.clip();
  const place = (t) => chart.valToPos(t, "x", true);
  pen.fillStyle = color("--band");
  for (const { from, to, odd } of bands)
    if (odd) pen.fillRect(place(from), bbox.top, place(to) - place(from), bbox.height);
  if (silence) hatch(pen, place(silence[0]), place(silence[1]), bbox);
  pen.restore();
}

function hatch(pen, left, right, { top, height }) {
  pen.strokeStyle = color("--edge");
  pen.lineWidth = ratio();
  pen.beginPath();
  for (let x = left - height; x < right; x += HATCH_PX * ratio()) {
    pen.moveTo(Math.max(x, left), top + height - Math.max(0, left - x));
    pen.lineTo(Math.min(x + height, right), top + height - Math.min(height, right - x));
  }
  pen.stroke();
}

/** Draw the lines of events and findings through the strip. */
export function paintEvents(chart, { events, flags }) {
  const { ctx: pen, bbox } = chart;
  const line = (t, stroke, dash) => {
    const x = Math.round(chart.valToPos(t, "x", true));
    if (x < bbox.left || x > bbox.left + bbox.width) return;
    pen.strokeStyle = stroke;
    pen.setLineDash(dash.map((one) => one * ratio()));
    pen.beginPath();
    pen.moveTo(x, bbox.top);
    pen.lineTo(x, bbox.top + bbox.height);
    pen.stroke();
  };
  pen.save();
  pen.lineWidth = ratio();
  for (const { t } of events) line(t, color("--edge"), []);
  for (const { t, severity } of flags) line(t, color(severity === "warning" ? "--warning" : "--caution-ink"), [5, 3]);
  pen.restore();
}

/** A value that is not a number is a gap in the line and a mark with its word at the top. */
export function paintWords(chart, marks) {
  const { ctx: pen, bbox } = chart;
  pen.save();
  text(pen, "left", "alphabetic");
  pen.fillStyle = color("--warning");
  let free = -Infinity;
  for (const { x, word } of marks) {
    const at = chart.valToPos(x, "x", true);
    if (at < bbox.left || at > bbox.left + bbox.width) continue;
    pen.fillRect(at - ratio(), bbox.top, 2 * ratio(), bbox.height);
    if (at > free) {
      pen.fillText(word, at + 4 * ratio(), bbox.top + 11 * ratio());
      free = at + 40 * ratio();
    }
  }
  pen.restore();
}

function text(pen, align, baseline) {
  pen.textAlign = align;
  pen.textBaseline = baseline;
  pen.font = `600 ${11 * ratio()}px ${color("--face")}`;
}

/** What lies beyond the scale is an arrowhead at the edge with the farthest value, so that nothing looks cut off. */
export function paintBeyond(chart, series) {
  const { ctx: pen, bbox, data } = chart;
  pen.save();
  text(pen, "left", "middle");
  const free = { true: [], false: [] };
  series.forEach((one, i) => {
    const { min, max } = chart.scales[one.axis];
    const runs = beyond(data[0], data[i + 1], min, max).sort((a, b) => Math.abs(b.value) - Math.abs(a.value));
    for (const run of runs) {
      const x = chart.valToPos(run.x, "x", true);
      if (x < bbox.left || x > bbox.left + bbox.width) continue;
      const words = short(run.value, one.unit);
      const width = pen.measureText(words).width + 14 * ratio();
      const left = x + width > bbox.left + bbox.width ? x - width : x;
      if (free[run.above].some(([a, b]) => left < b && a < left + width)) continue;
      free[run.above].push([left, left + width]);
      arrow(pen, x, left < x ? left : x + 7 * ratio(), run.above, bbox, words, color(one.stroke));
    }
  });
  pen.restore();
}

function arrow(pen, x, at, above, bbox, words, ink) {
  const tip = above ? bbox.top : bbox.top + bbox.height;
  const base = tip + (above ? 7 : -7) * ratio();
  pen.fillStyle = ink;
  pen.beginPath();
  pen.moveTo(x, tip);
  pen.lineTo(x - 5 * ratio(), base);
  pen.lineTo(x + 5 * ratio(), base);
  pen.fill();
  const width = pen.measureText(words).width;
  pen.fillStyle = color("--sheet");
  pen.fillRect(at, Math.min(tip, base) - 2 * ratio(), width + 4 * ratio(), 12 * ratio());
  pen.fillStyle = color("--ink");
  pen.fillText(words, at + 2 * ratio(), (tip + base) / 2 + ratio());
}

/** Each line ends in a shape of its own, and its name stands beside it in the margin: told apart without any color. */
export function paintEnds(chart, series) {
  const { ctx: pen, bbox, data } = chart;
  const { min, max } = chart.scales.x;
  const ends = series.map((one, i) => {
    const end = endOf(data[0], data[i + 1], max);
    return end && end.x >= min ? { ...one, ...end } : null;
  });
  const known = ends.filter(Boolean).map((one) => ({
    ...one,
    y: Math.min(bbox.top + bbox.height, Math.max(bbox.top, chart.valToPos(one.value, one.axis, true))),
  }));
  if (known.length < 2) return;
  pen.save();
  text(pen, "left", "middle");
  const half = 5 * ratio();
  const places = spread(
    known.map(({ y }) => y),
    END_APART_PX * ratio(),
    bbox.top + half,
    bbox.top + bbox.height - half,
  );
  known.forEach((one, i) => {
    const x = chart.valToPos(one.x, "x", true);
    shape(pen, one.shape, x, one.y, END_PX * ratio(), color(one.stroke));
    shape(pen, one.shape, bbox.left + bbox.width + 8 * ratio(), places[i], END_PX * ratio(), color(one.stroke));
    pen.fillStyle = color("--ink");
    pen.fillText(one.end, bbox.left + bbox.width + 15 * ratio(), places[i]);
  });
  pen.restore();
}

const SHAPES = {
  disc: (pen, x, y, r) => pen.arc(x, y, r, 0, 2 * Math.PI),
  square: (pen, x, y, r) => pen.rect(x - r, y - r, 2 * r, 2 * r),
  peak: (pen, x, y, r) => polygon(pen, [x, y - r - 1], [x + r + 1, y + r], [x - r - 1, y + r]),
  cross: (pen, x, y, r) => {
    pen.rect(x - r - 1, y - r / 2.5, 2 * r + 2, r / 1.25);
    pen.rect(x - r / 2.5, y - r - 1, r / 1.25, 2 * r + 2);
  },
};

function polygon(pen, first, ...others) {
  pen.moveTo(...first);
  for (const one of others) pen.lineTo(...one);
  pen.closePath();
}

/** One of the four end marks, filled. */
export function shape(pen, name, x, y, r, ink) {
  pen.fillStyle = ink;
  pen.beginPath();
  SHAPES[name](pen, x, y, r);
  pen.fill();
}
