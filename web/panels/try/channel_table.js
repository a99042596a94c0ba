// Every channel of the dictionary, roles or not: title and path, how it went lately, value, age, limits; and the acts
// that chart it, alone or with others.

import { builder, h, s, setAttr, setHidden, setText, setTone } from "../../kit/dom.js";
import { age, columnUnit, limitState, notFinite, valueText } from "../../kit/format.js";
import { sparkPath } from "../../pictures/spark.js";
import { windowOf } from "../../session/decimate.js";
import { titleOf } from "../../strips/channel_title.js";
import { answers, groupsOf, wordsOf } from "./channel_words.js";
import { Favorites } from "./favorites.js";

const REFRESH_MS = 200;
const SPARK_MS = 1000;
const SPARK_S = 30;
const SPARK = { width: 72, height: 24 };
const MOST_TOGETHER = 8;

const isIn = (chart, { table, index }) => chart.some((one) => one.table === table && one.index === index);

export function ChannelTable(el, acts) {
  const favorites = new Favorites();
  const filter = h("input", {
    type: "search",
    placeholder: "Search: name, unit, or what you call it",
    "aria-label": "Search channels",
    testid: "channel-filter",
    on: { input: () => sift() },
  });
  const choice = (props) => h("button", { type: "button", class: "choice", ...props });
  const count = h("span", { class: "facts", testid: "channel-count", role: "status" });
  const all = choice({ testid: "chart-found", on: { click: () => acts.chart(found(), "new") } });
  const kept = choice({ testid: "channel-favorites", "aria-pressed": "false", on: { click: () => keepOnly() } });
  const together = h("div", { class: "together", role: "group", "aria-label": "Chart what belongs together" });
  const body = h("ul", { class: "channel-list" });
  const scroller = h("div", { class: "scroller", tabindex: "0", role: "region", "aria-label": "All channels" }, body);
  el.append(h("div", { class: "filter-line" }, filter, kept, all, count), together, scroller);
  const once = builder();
  const seen = new IntersectionObserver((entries) => {
    for (const { target, isIntersecting } of entries) target.row.visible = isIntersecting;
    last = -Infinity;
    acts.changed();
  });
  let rows = [];
  let groups = [];
  let last = -Infinity;
  let only = false;

  function build(view) {
    seen.disconnect();
    const bindings = view.store.dictionary.tables.flatMap((meta) =>
      meta.columns.map((column, index) => ({ table: meta.name, meta, column, index })),
    );
    const made = bindings.map((binding) => ChannelRow(binding, acts, favorites, sift));
    rows = [...made.filter((row) => row.isKept()), ...made.filter((row) => !row.isKept())];
    body.replaceChildren(...rows.map((row) => row.el));
    for (const row of rows) seen.observe(row.el);
    groups = groupsOf(bindings).map((group) => Group(group, acts));
    together.replaceChildren(...groups.map((group) => group.el));
    setHidden(together, groups.length === 0);
    sift();
  }

  function keepOnly() {
    only = !only;
    setAttr(kept, "aria-pressed", String(only));
    sift();
  }

  function sift() {
    for (const row of rows) setHidden(row.el, !answers(row, filter.value) || (only && !row.isKept()));
    const shown = rows.filter((row) => !row.el.hidden).length;
    setText(count, shown === 0 ? "nothing is called so" : `${shown} of ${rows.length}`);
    setText(kept, only ? "All channels" : `Favorites ${favorites.count}`);
    const size = found().length;
    setHidden(all, !(filter.value || only) || size < 2 || size > MOST_TOGETHER);
    setText(all, `Chart these ${size} together`);
    last = -Infinity;
    acts.changed();
  }

  const found = () => rows.filter((row) => !row.el.hidden && row.plottable).map((row) => row.binding);

  return {
    update(view) {
      const fresh = once(view.store, () => build(view));
      const now = performance.now();
      for (const row of rows) if (row.visible) row.chart(view.page.charts);
      for (const group of groups) group.update(view.page.charts);
      if (!fresh && view.cursor.live && now - last < REFRESH_MS) return;
      last = now;
      // What is scrolled away is brought up to date when it comes into view.
      for (const row of rows) if (fresh || (row.visible && !row.el.hidden)) row.update(view, now);
    },
  };
}

/** One press charts all of a group in a chart of its own, the next one closes that. */
function Group({ title, bindings }, acts) {
  let shown = false;
  const click = () => acts.chart(bindings, shown ? "off" : "new");
  const el = h("button", { type: "button", class: "choice", testid: "chart-group", on: { click } });
  return {
    el,
    update(charts) {
      shown = charts.some((chart) => bindings.every((one) => isIn(chart, one)));
      setText(el, `${shown ? "\u2212" : "+"} ${title}`);
      setAttr(el, "aria-pressed", String(shown));
    },
  };
}

/** What is to be said of a sample beside its value and age. */
function limitWords(sample, state) {
  if (sample.stale && sample.value !== undefined) return "unknown now";
  return state;
}

// What the vehicle sent is shown as it came; what the station could not compute is not known.
function sayings(view, { column, meta }, sample, state) {
  const isUnknown = meta.computed && Number.isNaN(sample.value);
  const unit = column.kind === "number" ? columnUnit(column) : "";
  const lack = meta.computed ? view.lacks(column.role) : "";
  return {
    value: `${valueText(column, isUnknown ? undefined : sample.value)} ${notFinite(sample.value) ? "" : unit}`.trim(),
    limit: lack ? `needs ${lack}` : isUnknown ? "not known" : limitWords(sample, state),
  };
}

/** The acts of one channel: into the newest chart, into a new one, or out again; each button says what it does now. */
function ChartActs(binding, title, acts) {
  const act = (how, text, testid) =>
    h("button", {
      type: "button",
      class: "choice",
      text,
      testid,
      "aria-label": `${text}: ${title}`, // what is read aloud begins as what is seen
      on: { click: () => acts.chart([binding], how) },
    });
  const same = act("same", "+ same chart", "chart-same");
  const fresh = act("new", "+ new chart", "chart-new");
  const off = act("off", "\u2212 remove", "chart-off");
  return {
    el: h("span", { class: "chart-acts" }, same, fresh, off),
    update(charts) {
      const at = charts.findIndex((chart) => isIn(chart, binding));
      setHidden(same, at >= 0 || charts.length === 0);
      setHidden(fresh, at >= 0);
      setHidden(off, at < 0);
      if (at < 0) return;
      setText(off, charts.length > 1 ? `\u2212 from chart ${at + 1}` : "\u2212 from the chart");
      setAttr(off, "aria-label", `${off.textContent}: ${title}`);
    },
  };
}

function ChannelRow(binding, acts, favorites, kept) {
  const { column, meta } = binding;
  const title = titleOf(binding);
  const value = h("span", { class: "channel-value" });
  const past = h("span", { class: "channel-age" });
  const plottable = column.kind !== "text";
  const line = s("path", { class: "spark-line" });
  const { width, height } = SPARK;
  const spark = s(
    "svg",
    { class: "spark", viewBox: `0 0 ${width} ${height}`, width, height, "aria-hidden": "true" },
    line,
  );
  const chartActs = plottable ? ChartActs(binding, title, acts) : undefined;
  const star = h("button", {
    type: "button",
    class: "star",
    "aria-label": `Keep as a favorite: ${title}`,
    on: {
      click: () => {
        favorites.toggle(column.channel);
        drawStar();
        kept();
      },
    },
  });
  function drawStar() {
    setAttr(star, "aria-pressed", String(favorites.has(column.channel)));
    setText(star, favorites.has(column.channel) ? "\u2605" : "\u2606");
  }
  drawStar();
  const name = h(
    "span",
    { class: "channel-name-cell" },
    h("span", { class: "channel-title", text: title }),
    h("span", { class: "channel-path" }, column.channel, meta.computed && h("span", { class: "tag", text: "ground" })),
  );
  const words = column.description ?? "";
  const el = h(
    "li",
    { class: "channel-row", title: words },
    star,
    name,
    spark,
    h("span", { class: "channel-said" }, value, past),
    chartActs?.el,
  );
  let sparked = -Infinity;
  const row = {
    el,
    binding,
    column,
    plottable,
    visible: true,
    words: wordsOf(binding),
    isKept: () => favorites.has(column.channel),
    chart: (charts) => chartActs?.update(charts),
    update(view, now) {
      const sample = view.sampleOf(binding);
      const state = limitState(column, sample.value);
      const said = sayings(view, binding, sample, state);
      setText(value, said.value);
      setText(past, [sample.value === undefined ? "" : age(sample.age), said.limit].filter(Boolean).join(", "));
      setTone(el, sample.stale ? "stale" : state || "none");
      if (plottable && (now - sparked > SPARK_MS || !view.cursor.live)) {
        sparked = now;
        setAttr(line, "d", lately(view, binding));
      }
    },
  };
  el.row = row;
  return row;
}

function lately(view, { table: name, index }) {
  const table = view.store.tables.get(name);
  const range = [view.cursor.t - SPARK_S, view.cursor.t];
  const { x, y } = windowOf(table, (row) => table.columns[index][row], ...range, view.row(name));
  const step = Math.max(1, Math.floor(x.length / SPARK.width));
  const thinned = (list) => list.filter((_, i) => i % step === 0);
  return sparkPath(thinned(x), thinned(y), range, SPARK.width, SPARK.height);
}
