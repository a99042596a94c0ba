// Flights side by side: curves on one clock, differences, numbers, and what the sheets say has changed.

import { fixed } from "./format.js";
import { h, setHidden, setText } from "./dom.js";
import { overlay } from "./overlay.js";

const AT = [["lift_off", "lift-off"], ["burnout", "burnout"], ["apogee", "apogee"], ["deployment", "deployment"], ["landing", "landing"]];

export function ComparePanel(el, acts) {
  const at = h("select", { "aria-label": "Aligned at", testid: "compare-at", on: { change: () => acts.compare(names, at.value) } }, ...AT.map(([value, text]) => h("option", { value, text: `Aligned at ${text}` })));
  const close = h("button", { type: "button", class: "act", text: "Close", on: { click: () => acts.compare(null) } });
  const head = h("div", { class: "shelf-row" }, at, close);
  const body = h("div", { testid: "comparison" });
  const none = h("p", { class: "absent", text: "Tick two or more sessions and press Compare." });
  el.append(none, head, body);
  let shown;
  let names = [];
  return {
    update(view) {
      const comparison = view.page.comparison;
      setHidden(none, Boolean(comparison));
      setHidden(head, !comparison);
      if (comparison === shown) return;
      shown = comparison;
      names = comparison?.told.sessions ?? [];
      body.replaceChildren(...(comparison ? drawing(comparison) : []));
    },
  };
}

function drawing({ told, table }) {
  const { t } = table.arrays;
  const range = [t[0], t[t.length - 1]];
  const curves = told.columns.map(({ name, title, unit }) => overlay(`${title}, ${unit}`, told.sessions.map((session, i) => ({ name: session, t, values: table.arrays[`${name}.${i}`] })), range));
  const differences = told.columns.slice(0, 1).map(({ name, title, unit }) => overlay(`${title}, ${unit}: difference to ${told.sessions[0]}`, told.sessions.slice(1).map((session, i) => ({ name: session, t, values: table.arrays[`${name}.${i + 1}-0`] })), range));
  return [...curves, ...differences, numbers("In numbers", told.sessions, told.numbers), told.changes.length ? numbers("What the sheets say has changed", told.sessions, told.changes) : h("p", { class: "absent", text: "The sheets say the same of all of them." })];
}

function numbers(title, sessions, rows) {
  return h("div", { class: "compare-table" }, h("p", { class: "overlay-title", text: title }), h("table", { class: "grid" },
    h("thead", {}, h("tr", {}, h("th", { scope: "col", text: "" }), ...sessions.map((name) => h("th", { scope: "col", text: name })))),
    h("tbody", {}, ...rows.map((row) => h("tr", {}, h("th", { scope: "row", text: row.unit ? `${row.name}, ${row.unit}` : row.name }), ...row.values.map((value) => h("td", { text: wording(value) })))))));
}

function wording(value) {
  if (value === null || value === undefined) return "\u2013\u2013";
  return typeof value === "number" ? (Number.isInteger(value) ? String(value) : fixed(value, 2)) : String(value);
}
