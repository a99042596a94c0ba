// Strips over one shared time axis. Each names its series by role; a strip of which no role can come is not drawn.

import { merge, valueRange, windowOf } from "../session/decimate.js";
import { family } from "../session/roles.js";
import { boxOf, h, setAttr, setHidden, setText } from "./dom.js";
import { fixed, unitText, valueText } from "./format.js";
import { color, onTheme } from "./theme.js";

const DEG = 180 / Math.PI;
const REDRAW_MS = 90;
const EDGE_PX = 10;
const LABEL_HALF_PX = 5;
const DASHES = [[], [7, 4], [2, 3], [10, 3, 2, 3]];

const magnitude = (prefix) => ({ roles: ["x", "y", "z"].map((axis) => `${prefix}.${axis}`), combine: Math.hypot });

/** The strips of a flight. `least` is the narrowest range of values shown, so that noise at rest stays small. */
export function flightStrips(roles) {
  return [
    {
      title: "Height",
      unit: "m",
      least: 20,
      series: [
        { name: "ground", roles: ["ground.height"] },
        { name: "vehicle", roles: ["position.up"] },
      ],
    },
    {
      title: "Speed",
      unit: "m/s",
      least: 10,
      series: [
        { name: "climb", roles: ["ground.climb_rate"] },
        { name: "speed", roles: ["ground.speed"] },
      ],
    },
    { title: "Tilt", unit: "deg", least: 10, scale: DEG, series: [{ name: "tilt", roles: ["ground.tilt"] }] },
    {
      title: "Rates",
      unit: "deg/s",
      least: 40,
      scale: DEG,
      series: [
        { name: "roll", roles: ["body_rate.z"] },
        { name: "x", roles: ["body_rate.x"] },
        { name: "y", roles: ["body_rate.y"] },
      ],
    },
    {
      title: "Acceleration",
      unit: "m/s2",
      least: 20,
      series: [
        { name: "unit a", ...magnitude("accel.a") },
        { name: "unit b", ...magnitude("accel.b") },
      ],
    },
    {
      title: "Fins",
      unit: "deg",
      least: 6,
      scale: DEG,
      series: family(roles, "fin")
        .slice(0, 4)
        .map((fin) => ({ name: `${fin}`, roles: [`fin[${fin}].measured`] })),
    },
  ];
}

/** One strip for one column of the dictionary, as the channel table adds it. */
export function channelStrip(column, binding) {
  return {
    title: column.channel,
    unit: column.display_unit || column.unit,
    least: 0,
    column,
    series: [{ name: column.label || column.name, bindings: [binding] }],
  };
}

function bound(view, series) {
  if (series.roles?.some((role) => view.lacks(role))) return null;
  const bindings = series.bindings ?? series.roles.map((role) => view.store.roles.get(role));
  if (bindings.some((binding) => !binding || binding.table !== bindings[0].table)) return null;
  const table = view.store.tables.get(bindings[0].table);
  return table && { table, bindings, name: bindings[0].table };
}

function reader(strip, series, table, bindings) {
  const columns = bindings.map(({ index }) => table.columns[index]);
  const scale = strip.scale ?? strip.column?.display_scale ?? 1;
  const offset = strip.column?.display_offset ?? 0;
  if (series.combine) return (row) => series.combine(...columns.map((column) => column[row])) * scale;
  return (row) => columns[0][row] * scale + offset;
}

/**
 * A stack of strips.
 * @param {Element} el
 * @param {{changed: () => void, strips: (view) => object[], window: (view) => [number, number], last?: boolean,
 *   select?: (a,b) => void, reset?: () => void, playhead?: boolean, key?: (view) => string}} options
 *   window gives timeline seconds; select and reset are called for drag and double click when zooming is offered
 */
export function StripStack(el, options) {
  let strips = [];
  let built = "";
  let version = "";
  let last = -Infinity;
  let themed = 0;
  onTheme(() => {
    themed++;
  });
  const box = boxOf(el, () => {
    version = "";
    options.changed();
  });

  function build(view) {
    for (const strip of strips) strip.destroy();
    const shown = options.strips(view).filter((strip) => strip.series.some((series) => bound(view, series)));
    strips = shown.map((definition, i) => Strip(definition, view, options, i === shown.length - 1));
    el.replaceChildren(...strips.map((strip) => strip.el));
    if (strips.length === 0)
      el.append(h("p", { class: "absent", text: "Nothing to draw: none of these roles is in the dictionary." }));
    version = "";
  }

  return {
    update(view) {
      const key = `${view.store.session} ${view.store.dictionary.hash} ${themed} ${options.key?.(view) ?? ""}`;
      if (key !== built) {
        built = key;
        build(view);
      }
      if (box.width === 0) return;
      const range = options.window(view);
      const zero = options.zero ? options.zero(view) : view.zero;
      const wanted = `${view.store.version} ${range[0].toFixed(3)} ${range[1].toFixed(3)} ${zero} ${view.cursor.live}`;
      const now = performance.now();
      if (wanted !== version && (now - last > REDRAW_MS || !view.cursor.live)) {
        version = wanted;
        last = now;
        for (const strip of strips) strip.draw(view, range, zero);
      }
      for (const strip of strips) strip.follow(view, zero);
    },
  };
}

function Strip(definition, view, options, isLast) {
  const series = definition.series.map((one) => ({ ...one, bound: bound(view, one) })).filter((one) => one.bound);
  const values = series.map(() => h("span", { class: "series-value" }));
  const legend = h(
    "div",
    { class: `legend${series.length > 2 ? " -many" : ""}` },
    h(
      "span",
      { class: "strip-head" },
      h("span", { class: "strip-title", text: definition.title }),
      h("span", { class: "strip-unit", text: unitText(definition.unit) }),
    ),
    ...series.map((one, i) =>
      h(
        "span",
        { class: "series" },
        h("span", { class: `key -s${i + 1}` }),
        h("span", { class: "series-name", text: one.name }),
        values[i],
      ),
    ),
  );
  const place = h("div", { class: "plot" });
  const el = h(
    "div",
    { class: `strip${isLast ? " -last" : ""}`, role: "group", "aria-label": `${definition.title} over time` },
    legend,
    place,
  );
  const playhead = h("div", { class: "playhead" });
  let chart;
  let marks = [];

  function create() {
    chart = new uPlot(
      chartOptions(series, options, isLast, place, () => marks),
      [[], ...series.map(() => [])],
      place,
    );
    if (options.playhead) chart.over.append(playhead);
  }

  return {
    el,
    destroy() {
      chart?.destroy();
    },
    draw(now, [a, b], zero) {
      if (place.clientWidth === 0) return;
      if (!chart) create();
      else if (chart.width !== place.clientWidth || chart.height !== place.clientHeight)
        chart.setSize({ width: place.clientWidth, height: place.clientHeight });
      const lines = series.map((one) => {
        const until = options.whole ? one.bound.table.n - 1 : now.row(one.bound.name);
        return windowOf(one.bound.table, reader(definition, one, one.bound.table, one.bound.bindings), a, b, until);
      });
      marks = lines.flatMap((line) => line.marks.map((mark) => ({ ...mark, x: mark.x - zero })));
      const data = merge(lines, zero);
      const [low, high] = valueRange(data.slice(1), definition.least);
      chart.batch(() => {
        chart.setData(data, false);
        chart.setScale("x", { min: a - zero, max: b - zero });
        chart.setScale("y", { min: low, max: high });
      });
    },
    follow(now, zero) {
      series.forEach((one, i) => {
        setText(values[i], seriesText(definition, one, now.silence ? -1 : now.row(one.bound.name)));
      });
      if (!options.playhead || !chart) return;
      const x = chart.valToPos(now.cursor.t - zero, "x");
      // Asking the document for a width here would lay the whole page out once for each strip.
      const inside = x >= 0 && x <= chart.bbox.width / (window.devicePixelRatio || 1);
      setHidden(playhead, !inside);
      if (inside) playhead.style.transform = `translateX(${x.toFixed(1)}px)`;
    },
  };
}

function chartOptions(series, options, isLast, place, marks) {
  const axis = {
    stroke: color("--ink"),
    grid: { stroke: color("--grid"), width: 1 },
    ticks: { show: false },
    font: `12px ${color("--face")}`,
  };
  return {
    width: place.clientWidth,
    height: place.clientHeight,
    legend: { show: false },
    padding: [6, 18, isLast ? 0 : 4, 0],
    cursor: {
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
    },
    scales: { x: { time: false, auto: false }, y: { auto: false } },
    axes: [
      {
        ...axis,
        size: isLast ? 26 : 0,
        gap: isLast ? 4 : 0,
        space: 70,
        values: (_, list) =>
          list.map((x) => (isLast && x !== null ? `${fixed(x, Number.isInteger(x) ? 0 : 1)} s` : "")),
      },
      {
        ...axis,
        size: 50,
        gap: 4,
        space: 15,
        values: (chart, list) =>
          list.map((y) =>
            y === null || atEdge(chart, y) ? "" : String(Math.round(y * 1000) / 1000).replace("-", "\u2212"),
          ),
      },
    ],
    series: [
      {},
      ...series.map((_, i) => ({
        stroke: color(`--series-${(i % 4) + 1}`),
        width: 2,
        dash: DASHES[i % 4],
        points: { show: false },
      })),
    ],
    hooks: {
      draw: [(chart) => drawMarks(chart, marks())],
      setSelect: [(chart) => selected(chart, options)],
    },
  };
}

// A label at the lower edge of its strip would run into the uppermost one of the next.
function atEdge(chart, y) {
  const { min, max } = chart.scales.y;
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

/** What a series reads in a row; two dashes for row -1. */
function seriesText(definition, one, row) {
  const { column, unit, least } = definition;
  const { table, bindings } = one.bound;
  if (column && column.kind !== "number")
    return valueText(column, row < 0 ? undefined : table.columns[bindings[0].index][row]);
  const value = row < 0 ? undefined : reader(definition, one, table, bindings)(row);
  return fixed(value, unit === "deg/s" ? 0 : least === 0 ? 2 : 1);
}

// A value that is not a number is a gap in the line and a mark with its word at the top.
function drawMarks(chart, marks) {
  const { ctx: pen, bbox } = chart;
  pen.save();
  pen.textAlign = "left";
  pen.textBaseline = "alphabetic";
  pen.fillStyle = color("--warning");
  pen.strokeStyle = color("--warning");
  pen.font = `600 ${11 * devicePixelRatio}px ${color("--face")}`;
  let free = -Infinity;
  for (const { x, word } of marks) {
    const at = chart.valToPos(x, "x", true);
    if (at < bbox.left || at > bbox.left + bbox.width) continue;
    pen.fillRect(at - devicePixelRatio, bbox.top, 2 * devicePixelRatio, bbox.height);
    if (at > free) {
      pen.fillText(word, at + 4 * devicePixelRatio, bbox.top + 11 * devicePixelRatio);
      free = at + 40 * devicePixelRatio;
    }
  }
  pen.restore();
}

/** The choice of how much time a live stack shows. */
export function WindowChoice(el, spans, changed) {
  const buttons = spans.map(({ name, label }) =>
    h("button", {
      type: "button",
      class: "choice",
      text: label,
      on: {
        click: () => {
          choose(name);
          changed(name);
        },
      },
    }),
  );
  function choose(name) {
    for (const [i, button] of buttons.entries()) setAttr(button, "aria-pressed", String(spans[i].name === name));
  }
  el.append(...buttons);
  choose(spans[0].name);
  return { choose };
}
