// One strip: a legend with what each line reads, and its lines over the time axis that all strips of a stack share.

import { boxOf, h, s, setAttr, setHidden, setText } from "../kit/dom.js";
import { NOT_A_NUMBER, unitText } from "../kit/format.js";
import { color } from "../kit/theme.js";
import { scaleOf, stripWords, timeTicks } from "../pictures/strip_shapes.js";
import { merge, windowOf } from "../session/decimate.js";
import { paintBeyond, paintEnds, paintEvents, paintGround, paintWords } from "./pen.js";
import { bound, differenceText, readerOf, rowAt, seriesText, short } from "./series.js";

export const LEFT_PX = 50;
export const RIGHT_PX = 46;
const CROSS = "\u2715"; // for a value that is none
const EDGE_PX = 10;
const LABEL_HALF_PX = 5;
const WORDS_MS = 1000;
const DASHES = [[], [7, 4], [2, 3], [10, 3, 2, 3]];
const SHAPES = ["disc", "square", "peak", "cross"];

/** Lines with where their values are, their scale and how they are drawn; those without values are left out. */
function linesOf(definition, view) {
  const found = definition.series
    .map((one) => ({ unit: definition.unit, ...one, bound: bound(view, one) }))
    .filter((one) => one.bound);
  const units = [...new Set(found.map(({ unit }) => unit))];
  return found.map((one, i) => ({
    ...one,
    axis: `y${units.indexOf(one.unit)}`,
    // Beyond four the dashes go round once more than the colors, so that no two of sixteen are drawn alike.
    stroke: `--series-${(i % 4) + 1}`,
    dash: DASHES[(i + Math.floor(i / 4)) % 4],
    shape: SHAPES[(i + Math.floor(i / 4)) % 4],
    end: one.end ?? one.name,
  }));
}

const KEYS = {
  disc: { tag: "circle", cx: 25, cy: 6, r: 3.2 },
  square: { tag: "rect", x: 21.8, y: 2.8, width: 6.4, height: 6.4 },
  peak: { tag: "path", d: "M25 1.5 L29.2 9.2 H20.8 Z" },
  cross: { tag: "path", d: "M21 4.7 h8 v2.6 h-8 Z M23.7 2 h2.6 v8 h-2.6 Z" },
};

/** How a line is drawn, for its legend: its dash and the mark at its end. */
function key({ dash, shape, stroke }) {
  const { tag, ...place } = KEYS[shape];
  return s(
    "svg",
    { class: `line-key -s${stroke.at(-1)}`, viewBox: "0 0 30 12", width: 30, height: 12, "aria-hidden": "true" },
    s("path", { class: "line-key-line", d: "M0 6 H21", "stroke-dasharray": dash.join(" ") || undefined }),
    s(tag, { class: "line-key-end", ...place }),
  );
}

function Legend(definition, lines) {
  const many = lines.length > 2;
  const units = new Set(lines.map(({ unit }) => unit));
  const parts = lines.map((one) => {
    const value = h("span", { class: "series-value" });
    const span = units.size > 1 ? h("span", { class: "series-scale" }) : null;
    const unit = units.size > 1 ? h("span", { class: "strip-unit", text: unitText(one.unit) }) : null;
    const name = one.name && h("span", { class: "series-name", text: one.name });
    return { value, span, el: h("span", { class: "series" }, lines.length > 1 && key(one), name, value, unit, span) };
  });
  const head = h(
    "span",
    { class: "strip-head" },
    h("span", { class: "strip-title", text: definition.title }),
    h("span", { class: "strip-unit", text: unitText(definition.unit) }),
  );
  const el = h("div", { class: `legend${many ? " -many" : ""}` }, head, ...parts.map((part) => part.el));
  return { el, head, parts };
}

/** @param {object} definition see catalog.js @param {object} options see strip_stack.js */
export function Strip(definition, view, options) {
  const lines = linesOf(definition, view);
  const legend = Legend(definition, lines);
  const place = h("div", { class: "plot", role: "img", "aria-label": definition.title });
  const foot = options.foot?.(definition);
  if (foot) legend.head.append(foot);
  const name = `${definition.title} over time`;
  const shown = { class: `strip${definition.thin ? " -thin" : ""}`, role: "group", "aria-label": name };
  const el = h("div", shown, legend.el, place);
  const playhead = h("div", { class: "playhead" });
  const second = h("div", { class: "playhead -second" });
  const axes = [...new Set(lines.map(({ axis }) => axis))];
  let chart;
  let marks = [];
  let ground = { bands: [], events: [], flags: [], silence: null };
  let saidAt = -Infinity;

  function create() {
    const told = { lines, ground: () => ground, marks: () => marks };
    chart = new uPlot(settings(definition, place, options, told), [[], ...lines.map(() => [])], place);
    if (options.playhead) chart.over.append(playhead);
    chart.over.append(second);
  }

  const box = boxOf(place, options.resized);
  const rowIn = (now, one, t) => rowAt(one.bound, t, options.whole ? one.bound.table.n - 1 : now.row(one.bound.name));

  return {
    el,
    destroy: () => chart?.destroy(),
    /** The chart once it is drawn. */
    get chart() {
      return chart;
    },
    draw(now, [a, b], zero, course) {
      const { width, height } = box; // asking the element would lay the page out once for each strip
      if (width === 0 || height === 0) return;
      if (!chart) create();
      else if (chart.width !== width || chart.height !== height) chart.setSize({ width, height });
      const windows = lines.map((one) => {
        const until = options.whole ? one.bound.table.n - 1 : now.row(one.bound.name);
        return windowOf(one.bound.table, readerOf(one), a, b, until);
      });
      // A difference that cannot be told is nothing that the vehicle sent wrong.
      const told = windows.filter((_, i) => !lines[i].minus);
      marks = told.flatMap((one) => one.marks.map((mark) => ({ ...mark, x: mark.x - zero })));
      ground = course;
      const data = merge(windows, zero);
      const seen = within(data, a - zero, b - zero);
      const scales = axes.map((axis) => {
        const mine = seen.slice(1).filter((_, i) => lines[i].axis === axis);
        return [axis, scaleOf(seen[0], mine, definition.least, course.landing)];
      });
      chart.batch(() => {
        chart.setData(data, false);
        chart.setScale("x", { min: a - zero, max: b - zero });
        for (const [axis, [min, max]] of scales) chart.setScale(axis, { min, max });
      });
      drawSpans(scales);
      say(data, a - zero, b - zero);
    },
    /** What each line reads at `at`, or less what it read at `from`; `at` undefined is the newest that is known. */
    read(now, at, from) {
      lines.forEach((one, i) => {
        const newest = now.silence ? -1 : now.row(one.bound.name);
        const row = at === undefined ? newest : rowIn(now, one, at);
        const text = from === undefined ? seriesText(one, row) : differenceText(one, row, rowIn(now, one, from));
        // Three such words do not stand beside each other; the word itself stands in the strip, at the moment.
        setText(legend.parts[i].value, lines.length > 2 && text === NOT_A_NUMBER ? CROSS : text);
      });
    },
    follow(now, zero, from) {
      if (!chart) return;
      if (options.playhead) stand(chart, playhead, now.cursor.t - zero);
      stand(chart, second, from === undefined ? NaN : from - zero);
    },
  };

  function drawSpans(scales) {
    const ranges = new Map(scales);
    lines.forEach((one, i) => {
      const { span } = legend.parts[i];
      const [low, high] = ranges.get(one.axis);
      if (span) setText(span, one.axis === "y0" ? "" : `${short(low, "")} to ${short(high, "")}`);
    });
  }

  function say(data, a, b) {
    const now = performance.now();
    if (now - saidAt < WORDS_MS) return;
    saidAt = now;
    const names = lines.map((one) => one.name || definition.title);
    setAttr(
      place,
      "aria-label",
      stripWords(definition.title, unitText(definition.unit), [a, b], names, data[0], data.slice(1)),
    );
  }
}

/** The rows of a chart's data from a to b. */
function within(data, a, b) {
  const from = Math.max(
    0,
    data[0].findIndex((x) => x >= a),
  );
  const after = data[0].findIndex((x) => x > b);
  return data.map((column) => column.slice(from, after < 0 ? undefined : after));
}

/** Stand a line at a second of the chart's axis, or nowhere while that is not shown. */
function stand(chart, node, t) {
  const x = chart.valToPos(t, "x");
  // Asking the document for a width here would lay the whole page out once for each strip.
  const inside = x >= 0 && x <= chart.bbox.width / (window.devicePixelRatio || 1);
  setHidden(node, !inside);
  if (inside) node.style.transform = `translateX(${x.toFixed(1)}px)`;
}

function settings(definition, place, options, { lines, ground, marks }) {
  const axis = {
    stroke: color("--ink"),
    grid: { stroke: color("--grid"), width: 1 },
    ticks: { show: false },
    font: `12px ${color("--face")}`,
  };
  const { thin } = definition;
  const splits = (one) =>
    timeTicks(one.scales.x.min, one.scales.x.max, one.bbox.width / (devicePixelRatio || 1)).map(({ t }) => t);
  const scales = Object.fromEntries(lines.map((one) => [one.axis, { auto: false }]));
  return {
    width: place.clientWidth,
    height: place.clientHeight,
    legend: { show: false },
    padding: [4, RIGHT_PX, 4, 0],
    cursor: cursorOf(options),
    scales: { x: { time: false, auto: false }, ...scales },
    axes: [
      { ...axis, size: 0, gap: 0, splits, values: (_, list) => list.map(() => "") },
      {
        ...axis,
        scale: "y0",
        size: LEFT_PX,
        gap: 4,
        space: thin ? 9 : 15,
        values: (one, list) => list.map((y) => (y === null || (!thin && atEdge(one, y)) ? "" : tick(y))),
      },
    ],
    series: [
      {},
      ...lines.map(({ axis: scale, stroke, dash }) => {
        const look = { stroke: color(stroke), width: thin ? 1.25 : 2, dash };
        return { ...look, scale, points: { show: false } };
      }),
    ],
    hooks: {
      drawClear: [(one) => paintGround(one, ground())],
      draw: [
        (one) => {
          paintEvents(one, ground());
          paintWords(one, marks());
          paintBeyond(one, lines);
          paintEnds(one, lines);
        },
      ],
      setSelect: [(one) => selected(one, options)],
      setCursor: [(one) => options.hovered?.(one)],
    },
  };
}

const tick = (y) => String(Math.round(y * 1000) / 1000).replace("-", "\u2212");

function cursorOf(options) {
  return {
    sync: { key: options.sync ?? "strips" },
    y: false,
    points: { show: false },
    drag: { x: Boolean(options.select), y: false, setScale: false },
    bind: {
      dblclick: () => () => {
        options.reset?.();
        return null;
      },
    },
  };
}

// A label at the lower edge of its strip would run into the uppermost one of the next.
function atEdge(chart, y) {
  const { min, max } = chart.scales.y0;
  return ((y - min) / (max - min)) * (chart.height - EDGE_PX) < LABEL_HALF_PX;
}

function selected(chart, options) {
  const { left, width } = chart.select;
  if (!options.select || width < 6) return;
  const a = chart.posToVal(left, "x");
  const b = chart.posToVal(left + width, "x");
  chart.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
  options.select(a, b);
}
