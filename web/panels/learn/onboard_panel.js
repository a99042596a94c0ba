// The vehicle's own log over the recording: bring it in, see how sure its clock is, look at both and at what the radio
// lost.

import { h, setHidden, setText, watcher } from "../../kit/dom.js";
import { fixed, unitText } from "../../kit/format.js";
import { overlay } from "../../kit/overlay.js";
import { inUnit, shownUnit } from "../../kit/units.js";

const PAIRS = [
  ["accel.a.z", "Force along the nose", "m/s2"],
  ["position.up", "Height", "m"],
  ["altitude_baro", "Height by the vehicle's barometer", "m"],
  ["pressure", "Pressure", "Pa"],
  ["body_rate.z", "Roll rate", "rad/s"],
];
const AROUND_S = 5;

function lostWords({ role, share, due, heard, longest_gap_s: gap }) {
  return `${role}: ${fixed(share * 100, 1)} % not heard (${due - heard} of ${due}), longest gap ${fixed(gap, 2)} s`;
}

/** What the station says of a log, as sentences. */
function sentences(told) {
  const found = told.alignment ?? told;
  if (found.refused) return [`Not aligned: ${found.refused}.`];
  const drift = `drifting ${fixed(found.drift * 1e6, 0)} millionths`;
  const sure = `sure to ${fixed(found.sigma_s * 1000, 1)} ms (one sigma)`;
  const match = `match ${fixed(found.match, 3)} over ${fixed(found.overlap_s, 0)} s`;
  const clock = `Recording time is ${fixed(found.offset_s, 3)} s plus the log's time, ${drift}; ${sure}, ${match}.`;
  return [clock, ...(told.lost ?? []).map(lostWords)];
}

/** Files as they were written, by the numbers in their names: a card's parts follow each other. */
const inOrder = (files) => [...files].sort((a, b) => a.name.localeCompare(b.name, "en", { numeric: true }));

export function OnboardPanel(el, acts) {
  const input = h("input", {
    type: "file",
    multiple: true,
    "aria-label": "The vehicle's own log, one file or several of one flight",
    testid: "onboard-file",
    on: {
      change: () => {
        if (input.files.length) acts.takeLog(inOrder(input.files));
        input.value = "";
      },
    },
  });
  const pick = h(
    "label",
    { class: "video-pick" },
    "Bring in the vehicle's own log: CSV or its card, several files together ",
    input,
  );
  const drop = h("button", {
    type: "button",
    class: "act -small",
    text: "Take the log away",
    testid: "onboard-drop",
    on: { click: () => acts.dropLog() },
  });
  const says = h("ul", { class: "onboard-says", testid: "onboard-says" });
  const none = h("p", { class: "absent" });
  const curves = h("div");
  const form = h("div");
  el.append(none, pick, form, says, drop, curves);
  const moved = watcher();
  let shown;
  return {
    update(view) {
      const { replay, onboard, canKeep } = view.page;
      setHidden(none, Boolean(replay && canKeep));
      setText(
        none,
        replay
          ? "Bringing in a log needs the longer link that the terminal printed."
          : "Open a session to bring in the vehicle's own log.",
      );
      setHidden(pick, !replay || !canKeep);
      setHidden(drop, !onboard?.table || !canKeep);
      if (moved(onboard)) curves.replaceChildren(...(onboard?.table ? drawings(view, onboard) : []));
      if (onboard === shown) return;
      shown = onboard;
      form.replaceChildren(...(onboard?.form ? mappingForm(onboard, acts) : []));
      const words = onboard?.busy ? [onboard.busy] : onboard?.told ? sentences(onboard.told) : [];
      says.replaceChildren(...words.map((text) => h("li", { text })));
    },
  };
}

const ROLES = [
  ["", "not used for comparing"],
  ["accel.a.x", "acceleration x"],
  ["accel.a.y", "acceleration y"],
  ["accel.a.z", "acceleration along the nose"],
  ["body_rate.x", "rate about x"],
  ["body_rate.y", "rate about y"],
  ["body_rate.z", "roll rate"],
  ["pressure", "static pressure"],
  ["altitude_baro", "height by barometer"],
  ["position.up", "height by navigation"],
  ["velocity.up", "climb rate"],
  ["battery.voltage", "battery voltage"],
];
export const UNITS = [
  "",
  "m/s2",
  "g",
  "mg",
  "m",
  "m/s",
  "rad/s",
  "deg/s",
  "rad",
  "deg",
  "Pa",
  "hPa",
  "mbar",
  "K",
  "degC",
  "V",
  "A",
];
export const TIMES = ["s", "ms", "us", "min"];

/** What is remembered of a log's columns: the next log of the same vehicle needs no second mapping. */
const mappingKey = (columns) => `blockhouse.log ${columns.join("|")}`;

function mappingForm({ file, form }, acts) {
  const known = JSON.parse(localStorage.getItem(mappingKey(form.columns)) ?? "null") ??
    form.guess ?? { time: { column: form.columns[0], unit: "s" }, columns: {} };
  const choice = (label, options, value, testid) => {
    // A role that was guessed and is not in the list of the usual ones stays what it is.
    if (value && !options.some(([key]) => key === value)) options = [...options, [value, value]];
    const select = h(
      "select",
      { "aria-label": label, testid },
      ...options.map(([key, text]) => h("option", { value: key, text: text ?? key })),
    );
    select.value = options.some(([key]) => key === value) ? value : options[0][0];
    return select;
  };
  const plain = (list) => list.map((one) => [one, one || "as it is"]);
  const time = choice("Column of the time", plain(form.columns), known.time?.column, "log-time");
  const timeUnit = choice("Unit of the time", plain(TIMES), known.time?.unit, "log-time-unit");
  const rows = form.numeric.map((name) => ({
    name,
    role: choice(`What ${name} is`, ROLES, known.columns?.[name]?.role ?? "", `log-role-${name}`),
    unit: choice(`Unit of ${name}`, plain(UNITS), known.columns?.[name]?.unit ?? ""),
  }));
  const bring = h("button", {
    type: "button",
    class: "act",
    text: "Bring it in",
    testid: "log-bring",
    on: {
      click: () => {
        const columns = Object.fromEntries(
          rows
            .filter(({ name }) => name !== time.value)
            .map(({ name, role, unit }) => [name, { role: role.value, unit: unit.value }]),
        );
        const mapping = { time: { column: time.value, unit: timeUnit.value }, columns };
        localStorage.setItem(mappingKey(form.columns), JSON.stringify(mapping));
        acts.bringLog([file], mapping);
      },
    },
  });
  const cancel = h("button", { type: "button", class: "act", text: "Leave it", on: { click: () => acts.forgetLog() } });
  return [
    h("p", { text: `What the columns of ${file.name} are:` }),
    h("p", { class: "shelf-row" }, "Time is ", time, " in ", timeUnit),
    h(
      "div",
      { class: "mapping", "data-si": true },
      h(
        "table",
        { class: "grid" },
        h(
          "tbody",
          {},
          ...rows.map(({ name, role, unit }) =>
            h("tr", {}, h("th", { scope: "row", text: name }), h("td", {}, role), h("td", {}, unit)),
          ),
        ),
      ),
    ),
    h("div", { class: "shelf-row" }, bring, cancel),
  ];
}

function drawings(view, { table, roles }) {
  const moment = (key) => view.store.journal.state("moment", key)?.body?.t;
  const [start, end] = view.store.tRange;
  const zero = moment("lift_off") ?? start;
  const range = [Math.max(start, zero - AROUND_S) - zero, Math.min(end, (moment("landing") ?? end) + AROUND_S) - zero];
  const from = (t) => Float64Array.from(t, (one) => one - zero);
  return PAIRS.filter(([role]) => roles[role] && view.store.roles.has(role)).map(([role, title, unit]) => {
    const read = (values) => values.map((value) => inUnit(unit, value));
    const binding = view.store.roles.get(role);
    const heard = view.store.tables.get(binding.table);
    return overlay(
      `${title}, ${unitText(shownUnit(unit))}`,
      [
        {
          name: "radio",
          t: from(heard.t.subarray(0, heard.n)),
          values: read(heard.columns[binding.index].subarray(0, heard.n)),
        },
        { name: "onboard log", t: from(table.arrays.t), values: read(table.arrays[roles[role]]) },
      ],
      range,
    );
  });
}
