// Flights side by side: curves on one clock, differences, numbers, and what the sheets say has changed.

import { h, s, setAttr, setHidden, watcher } from "../../kit/dom.js";
import { fixed, unitText, withSigns } from "../../kit/format.js";
import { inUnit, shownUnit, unitFactor } from "../../kit/units.js";
import { differences, differenceWords, dotPlot, shownRange, smallCurves } from "../../pictures/compare.js";
import { OUTCOMES } from "../../session/goals.js";

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
  const none = h("p", {
    class: "absent",
    text: "Open Flights, tick compare on two or more of them, and press Compare.",
  });
  el.append(none, head, body);
  const moved = watcher();
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
      if (!moved(comparison)) return;
      told = comparison?.told;
      if (told) offer();
      setAttr(body, "data-at", told?.at.join());
      body.replaceChildren(...(comparison ? drawing(comparison) : []));
    },
  };
}

function drawing({ told, table }) {
  const { t } = table.arrays;
  const shown = shownRange(told.numbers, [t[0], t[t.length - 1]]);
  const read = told.numbers.map(asRead);
  const rows = differences(read);
  return [
    h("p", {
      class: "compare-says",
      testid: "compare-says",
      role: "status",
      text: differenceWords(rows, told.sessions),
    }),
    legend(told.sessions),
    h(
      "div",
      { class: "multiples" },
      ...told.columns.map((column) => multiple(column, told.sessions, table, shown)),
      dots(rows),
    ),
    told.goals.length > 0 && goals(told),
    numbers("In numbers", told.sessions, read),
    told.changes.length
      ? numbers("What the sheets say has changed", told.sessions, told.changes)
      : h("p", { class: "absent", text: "The sheets say the same of all of them." }),
  ].filter(Boolean);
}

const asRead = (row) => ({
  ...row,
  unit: shownUnit(row.unit),
  values: row.values.map((value) => inUnit(row.unit, value)),
});

const SIZE = [420, 128];
const DASHES = ["", "9 5", "3 4", "12 4 3 4", "2 6", "16 6"];
const lineOf = (i, d) => s("path", { class: `curve -c${i}`, "stroke-dasharray": DASHES[i % DASHES.length], d });

function legend(sessions) {
  return h(
    "p",
    { class: "curve-legend" },
    ...sessions.map((name, i) =>
      h("span", {}, s("svg", { class: "legend-line", viewBox: "0 0 34 8" }, lineOf(i, "M0 4 H34")), name),
    ),
  );
}

function multiple({ name, title, unit }, sessions, table, shown) {
  const factor = unitFactor(unit);
  const curves = sessions.map((_, i) => table.arrays[`${name}.${i}`].map((value) => value * factor));
  const shape = smallCurves(table.arrays.t, curves, shown, SIZE);
  const unitWord = unitText(shownUnit(unit));
  const range = `from ${fixed(shape.low, 0)} to ${fixed(shape.high, 0)}`;
  const label = `${title}, ${unitWord}: ${sessions.join(" and ")}, ${range}`;
  return h(
    "figure",
    { class: "multiple" },
    h("figcaption", { text: `${title}, ${unitWord}` }),
    s(
      "svg",
      { viewBox: `0 0 ${SIZE[0]} ${SIZE[1]}`, role: "img", "aria-label": label },
      ...shape.ys.flatMap(({ value, y }) => [
        s("line", { class: "curve-grid", x1: 44, x2: SIZE[0] - 6, y1: y, y2: y }),
        s("text", { class: "curve-text", x: 40, y: y + 4, "text-anchor": "end", text: fixed(value, 0) }),
      ]),
      ...shape.xs.map(({ value, x }) =>
        s("text", { class: "curve-text", x, y: SIZE[1] - 3, "text-anchor": "middle", text: `${fixed(value, 0)} s` }),
      ),
      ...shape.paths.map((path, i) => lineOf(i, path || "M0 0")),
    ),
  );
}

const ROW_PX = 14;
const AT_MOST = 8;

/** How far apart, the farthest first: left less than the first flight, right more. */
function dots(rows) {
  const shape = dotPlot(rows.slice(0, AT_MOST), { left: 130, width: SIZE[0], rowHeight: ROW_PX });
  const told = rows.slice(0, AT_MOST).map(({ name, share }) => `${name} ${fixed(share * 100, 0)} %`);
  return h(
    "figure",
    { class: "multiple -dots" },
    h("figcaption", { text: "How far apart, % of the greater" }),
    s(
      "svg",
      { viewBox: `0 0 ${SIZE[0]} ${SIZE[1]}`, role: "img", "aria-label": `Differences: ${told.join(", ")}` },
      s("line", { class: "curve-grid", x1: shape.zero, x2: shape.zero, y1: 0, y2: shape.height }),
      ...shape.rows.flatMap(({ name, y, dots: marks }) => [
        s("text", { class: "curve-text", x: 126, y: y + 4, "text-anchor": "end", text: name }),
        ...marks.flatMap(({ x, which }) => [
          s("line", { class: "dot-line", x1: shape.zero, x2: x, y1: y, y2: y }),
          s("circle", { class: `dot -c${which}`, cx: x, cy: y, r: 5 }),
        ]),
      ]),
      s("text", { class: "curve-text", x: 134, y: SIZE[1] - 2, text: "\u2212100" }),
      s("text", { class: "curve-text", x: shape.zero, y: SIZE[1] - 2, "text-anchor": "middle", text: "0" }),
      s("text", { class: "curve-text", x: SIZE[0] - 4, y: SIZE[1] - 2, "text-anchor": "end", text: "+100" }),
    ),
  );
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

/** What came of the goals of each, its evidence below. */
function goals({ sessions, goals: rows }) {
  const cell = (outcome, evidence) =>
    h(
      "td",
      { "data-tone": OUTCOMES[outcome]?.tone ?? "none", class: "compare-goal" },
      h("b", { text: outcome ? `${OUTCOMES[outcome]?.mark ?? "?"} ${outcome}` : "no such goal" }),
      evidence && h("p", { class: "facts", text: withSigns(evidence) }),
    );
  const head = h(
    "tr",
    {},
    h("th", { scope: "col", text: "" }),
    ...sessions.map((text) => h("th", { scope: "col", text })),
  );
  const row = ({ what, outcomes, evidence }) =>
    h("tr", {}, h("th", { scope: "row", text: withSigns(what) }), ...outcomes.map((one, i) => cell(one, evidence[i])));
  return h(
    "div",
    { class: "compare-table", testid: "compare-goals" },
    h("p", { class: "overlay-title", text: "What they were for" }),
    h("table", { class: "grid" }, h("thead", {}, head), h("tbody", {}, ...rows.map(row))),
  );
}

function wording(value) {
  if (value === null || value === undefined) return "\u2013\u2013";
  return typeof value === "number" ? (Number.isInteger(value) ? String(value) : fixed(value, 2)) : String(value);
}
