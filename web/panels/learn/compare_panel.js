// Flights side by side: curves on one clock, differences, numbers, and what the sheets say has changed.

import { h, setAttr, setHidden } from "../../kit/dom.js";
import { fixed } from "../../kit/format.js";
import { overlay } from "../../kit/overlay.js";

const EACH = "each";
/** A moment's name as the server gives it ("lift_off", "mark: gust seen") in words. */
const words = (moment) =>
  moment.startsWith("mark: ")
    ? `mark \u201c${moment.slice(6)}\u201d`
    : moment === "lift_off"
      ? "lift-off"
      : moment.replaceAll("_", " ");
const option = (value, text) => h("option", { value, text });

export function ComparePanel(el, acts) {
  const at = h("select", {
    "aria-label": "Aligned at",
    testid: "compare-at",
    on: { change: () => (at.value === EACH ? setHidden(own, false) : acts.compare(told.sessions, at.value)) },
  });
  const own = h("div", { class: "shelf-row", testid: "compare-own" });
  const close = h("button", { type: "button", class: "act", text: "Close", on: { click: () => acts.compare(null) } });
  const head = h("div", {}, h("div", { class: "shelf-row" }, at, close), own);
  const body = h("div", { testid: "comparison" });
  const none = h("p", { class: "absent", text: "Tick two or more sessions and press Compare." });
  el.append(none, head, body);
  let shown;
  let told;

  // What all have comes first; a moment or mark of each flight's own can be chosen as well.
  function offer() {
    const shared = told.choices[0].filter((moment) => told.choices.every((choices) => choices.includes(moment)));
    const apart = new Set(told.at).size > 1;
    at.replaceChildren(
      ...shared.map((moment) => option(moment, `Aligned at ${words(moment)}`)),
      option(EACH, "Each at a moment or mark of its own"),
    );
    at.value = apart ? EACH : told.at[0];
    const chosen = told.sessions.map((name, i) => {
      const select = h(
        "select",
        {
          "aria-label": `${name} aligned at`,
          testid: `compare-at-${i}`,
          on: {
            change: () =>
              acts.compare(
                told.sessions,
                chosen.map(({ value }) => value),
              ),
          },
        },
        ...told.choices[i].map((moment) => option(moment, words(moment))),
      );
      select.value = told.at[i];
      return select;
    });
    own.replaceChildren(
      ...chosen.map((select, i) =>
        h("label", { class: "field" }, h("span", { class: "field-name", text: told.sessions[i] }), select),
      ),
    );
    setHidden(own, !apart);
  }
  return {
    update(view) {
      const comparison = view.page.comparison;
      setHidden(none, Boolean(comparison));
      setHidden(head, !comparison);
      if (comparison === shown) return;
      shown = comparison;
      told = comparison?.told;
      if (told) offer();
      setAttr(body, "data-at", told?.at.join());
      body.replaceChildren(...(comparison ? drawing(comparison) : []));
    },
  };
}

function drawing({ told, table }) {
  const { t } = table.arrays;
  const range = [t[0], t[t.length - 1]];
  const curves = told.columns.map(({ name, title, unit }) =>
    overlay(
      `${title}, ${unit}`,
      told.sessions.map((session, i) => ({ name: session, t, values: table.arrays[`${name}.${i}`] })),
      range,
    ),
  );
  const differences = told.columns.slice(0, 1).map(({ name, title, unit }) =>
    overlay(
      `${title}, ${unit}: difference to ${told.sessions[0]}`,
      told.sessions.slice(1).map((session, i) => ({ name: session, t, values: table.arrays[`${name}.${i + 1}-0`] })),
      range,
    ),
  );
  return [
    ...curves,
    ...differences,
    numbers("In numbers", told.sessions, told.numbers),
    told.changes.length
      ? numbers("What the sheets say has changed", told.sessions, told.changes)
      : h("p", { class: "absent", text: "The sheets say the same of all of them." }),
  ];
}

function numbers(title, sessions, rows) {
  return h(
    "div",
    { class: "compare-table" },
    h("p", { class: "overlay-title", text: title }),
    h(
      "table",
      { class: "grid" },
      h(
        "thead",
        {},
        h(
          "tr",
          {},
          h("th", { scope: "col", text: "" }),
          ...sessions.map((name) => h("th", { scope: "col", text: name })),
        ),
      ),
      h(
        "tbody",
        {},
        ...rows.map((row) =>
          h(
            "tr",
            {},
            h("th", { scope: "row", text: row.unit ? `${row.name}, ${row.unit}` : row.name }),
            ...row.values.map((value) => h("td", { text: wording(value) })),
          ),
        ),
      ),
    ),
  );
}

function wording(value) {
  if (value === null || value === undefined) return "\u2013\u2013";
  return typeof value === "number" ? (Number.isInteger(value) ? String(value) : fixed(value, 2)) : String(value);
}
