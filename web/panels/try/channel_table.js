// Every channel of the dictionary, roles or not, with value, unit, age and limits. A click adds a strip.

import { builder, h, setHidden, setText, setTone } from "../../kit/dom.js";
import { age, limitState, unitText, valueText } from "../../kit/format.js";

const REFRESH_MS = 200;

export function ChannelTable(el, acts) {
  const filter = h("input", {
    type: "search",
    placeholder: "Filter channels",
    "aria-label": "Filter channels",
    testid: "channel-filter",
  });
  const count = h("span", { class: "facts" });
  const body = h("tbody");
  const scroller = h(
    "div",
    { class: "scroller", tabindex: "0", role: "region", "aria-label": "All channels" },
    h(
      "table",
      { class: "grid -channels" },
      h(
        "thead",
        {},
        h(
          "tr",
          {},
          ...["Channel", "Value", "Unit", "Age", "Limits", "Strip"].map((title) =>
            h("th", { scope: "col", class: title === "Value" || title === "Age" ? "num" : "", text: title }),
          ),
        ),
      ),
      body,
    ),
  );
  el.append(h("div", { class: "filter-line" }, filter, count), scroller);
  const once = builder();
  let rows = [];
  let last = -Infinity;
  filter.addEventListener("input", () => {
    sift();
    last = -Infinity;
  });

  function build(view) {
    rows = view.store.dictionary.tables.flatMap((meta) =>
      meta.columns.map((column, index) => ChannelRow({ table: meta.name, meta, column, index }, acts)),
    );
    body.replaceChildren(...rows.map((row) => row.el));
    sift();
  }

  function sift() {
    const words = filter.value.toLowerCase().split(/\s+/).filter(Boolean);
    for (const row of rows) setHidden(row.el, !words.every((word) => row.words.includes(word)));
    const shown = rows.filter((row) => !row.el.hidden).length;
    setText(count, `${shown} of ${rows.length}`);
  }

  return {
    update(view) {
      const fresh = once(view.store, () => build(view));
      const now = performance.now();
      if (!fresh && view.cursor.live && now - last < REFRESH_MS) return;
      last = now;
      for (const row of rows) if (!row.el.hidden) row.update(view);
    },
  };
}

/** What stands in the column of limits for a sample that is known. */
function limitWords(column, sample, state) {
  if (typeof sample.value === "number" && !Number.isFinite(sample.value)) return "not a number";
  if (sample.stale && sample.value !== undefined) return "unknown now";
  return state || (column.limits && Object.keys(column.limits).length ? "within" : "");
}

function ChannelRow(binding, acts) {
  const { column, meta } = binding;
  const value = h("td", { class: "num" });
  const past = h("td", { class: "num" });
  const limit = h("td");
  const plottable = column.kind !== "text";
  const toggle =
    plottable &&
    h("button", {
      type: "button",
      class: "choice",
      text: "+",
      title: "Add or remove a strip",
      "aria-label": `Strip for ${column.channel}`,
      on: { click: () => acts.toggleStrip(binding) },
    });
  const el = h(
    "tr",
    { title: column.description ?? "" },
    h("th", { scope: "row" }, column.channel, meta.computed && h("span", { class: "tag", text: "ground" })),
    value,
    h("td", { text: column.kind === "number" ? unitText(column.display_unit || column.unit) : "" }),
    past,
    limit,
    h("td", {}, toggle),
  );
  return {
    el,
    words: `${column.channel} ${column.label ?? ""} ${column.role ?? ""} ${column.description ?? ""}`.toLowerCase(),
    update(view) {
      const sample = view.sampleOf(binding);
      const state = limitState(column, sample.value);
      // What the vehicle sent is shown as it came; what the station could not compute is not known.
      const isUnknown = meta.computed && Number.isNaN(sample.value);
      setText(value, valueText(column, isUnknown ? undefined : sample.value));
      setText(past, sample.value === undefined ? "" : age(sample.age));
      const lack = meta.computed ? view.lacks(column.role) : "";
      setText(limit, lack ? `needs ${lack}` : isUnknown ? "not known" : limitWords(column, sample, state));
      setTone(el, sample.stale ? "stale" : state || "none");
      if (toggle)
        toggle.setAttribute(
          "aria-pressed",
          String(view.page.strips.some((one) => one.table === binding.table && one.index === binding.index)),
        );
    },
  };
}
