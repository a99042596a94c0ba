// Before the next flight: what the sheet says the vehicle is, what it will do, and what a change would alter.

import { h, setHidden, setText, watcher } from "../../kit/dom.js";
import { amount, fixed, lengthText, speedText, withSigns } from "../../kit/format.js";
import { inUnit, shownUnit } from "../../kit/units.js";

const DEG = 180 / Math.PI;
const LIVE = "live";
export const CURVE_AT_MOST = 12000;
const known = Number.isFinite;

const nameOf = (view) => view.page.replay?.name ?? LIVE;
const planOf = (view) => view.page.plans[nameOf(view)];

// [key of the station's answer, title, digits, factor, unit of SI where a person may read another one]
const LINES = [
  ["mass_kg", "Mass at lift-off, kg", 3, 1],
  ["motor", "Motor class and mean thrust, N"],
  ["wind_m_s", "Wind", 1, 1, "m/s"],
  ["thrust_to_weight", "Thrust to weight", 1, 1],
  ["rail_exit_speed_m_s", "Speed at the rail\u2019s end", 1, 1, "m/s"],
  ["angle_of_attack_rad", "Angle of attack there, \u00b0", 0, DEG],
  ["greatest_speed_m_s", "Greatest speed", 0, 1, "m/s"],
  ["apogee_m", "Apogee", 0, 1, "m"],
  ["apogee_s", "Time to apogee, s", 1, 1],
  ["margin_calibers", "Static margin, calibers", 2, 1],
  ["swing_hz", "Swing at greatest speed, Hz", 2, 1],
];
export const FIELDS = [
  ["mass_g", "Heavier (\u2212 lighter) by", "g", "-100000", "100000"],
  ["station_m", "that mass from nose tip", "m", "0", "20"],
  ["wind_m_s", "Wind at the pad", "m/s", "0", "40"],
  ["rail_m", "Rail", "m", "0.2", "20"],
  ["lean_deg", "Rail leans into the wind", "\u00b0", "-30", "30"],
  ["propellant_g", "Propellant of the other motor", "g", "0", "100000"],
];
const SIZES = [
  ["root_m", "root"],
  ["tip_m", "tip"],
  ["span_m", "span"],
  ["sweep_m", "sweep"],
];

/** A panel that asks once per session; `draw(plan)` gives its nodes when the plan changed. */
function asking(acts, draw) {
  const moved = watcher();
  let asked;
  return (view) => {
    const name = nameOf(view);
    if (asked !== name) {
      asked = name;
      if (!view.page.plans[name]) acts.lookAtPlan(name);
    }
    const plan = planOf(view);
    if (!moved(plan)) return;
    draw(plan, name);
  };
}

/** The next flight as the sheet has it, and with a change. */
export function NextFlightPanel(el, acts) {
  let session;
  let thrust;
  const inputs = FIELDS.map(([name, title, unit, min, max]) => {
    const input = h("input", {
      type: "number",
      step: "any",
      min,
      max,
      inputmode: "decimal",
      testid: `plan-${name}`,
      on: { change: () => ask() },
    });
    return {
      name,
      input,
      el: h(
        "label",
        { class: "field" },
        h("span", { class: "field-name", text: title }),
        input,
        h("span", { class: "field-hint", text: unit }),
      ),
    };
  });
  const motor = h("input", {
    type: "file",
    accept: ".csv,.txt",
    testid: "plan-motor",
    on: { change: () => readMotor() },
  });
  const keep = h("input", { type: "checkbox", testid: "plan-keep", on: { change: () => ask() } });
  const clear = h("button", {
    type: "button",
    class: "act -small",
    text: "As it is",
    testid: "plan-clear",
    on: { click: () => reset() },
  });
  const form = h(
    "details",
    { class: "plan-form" },
    h("summary", { text: "What would a change do?" }),
    h("div", { class: "plan-fields", "data-si": true }, ...inputs.map((one) => one.el)),
    h("label", { class: "video-pick" }, "Another motor: a time (s) and a thrust (N) on each line, CSV ", motor),
    h("label", { class: "plan-keep" }, keep, " with fins of the size that keeps the margin"),
    clear,
  );
  const problem = h("p", { class: "absent" });
  const body = h("div", { testid: "plan" });
  el.append(problem, form, body);

  function ask() {
    const changes = Object.fromEntries(
      inputs
        .filter(({ input }) => input.value !== "" && input.checkValidity())
        .map(({ name, input }) => [name, input.value]),
    );
    acts.forecast(session, {
      ...changes,
      ...(thrust ? { thrust } : {}),
      ...(keep.checked ? { keep_margin: "1" } : {}),
    });
  }
  async function readMotor() {
    const text = await motor.files[0]?.text();
    thrust =
      text?.length > CURVE_AT_MOST ? acts.trouble("The thrust curve is too long; a hundred points are plenty.") : text;
    ask();
  }
  function reset() {
    for (const { input } of inputs) input.value = "";
    motor.value = "";
    keep.checked = false;
    thrust = undefined;
    ask();
  }
  const look = asking(acts, (plan, name) => {
    session = name;
    setHidden(problem, Boolean(plan?.forecast));
    setHidden(form, !plan?.forecast);
    setText(problem, plan?.problem ?? "Nothing computed yet.");
    body.replaceChildren(...(plan?.forecast ? forecast(plan.forecast) : []));
  });
  return { update: look };
}

function forecast(told) {
  const flights = [told.as_it_is, told.changed].filter(Boolean);
  const head = h(
    "tr",
    {},
    h("th", { scope: "col", text: "" }),
    h("th", { scope: "col", text: "as it is" }),
    told.changed && h("th", { scope: "col", text: "changed" }),
  );
  const rows = LINES.filter(([key]) => flights.some((flight) => flight[key] !== undefined && flight[key] !== null)).map(
    ([key, title, digits, factor, unit]) =>
      h(
        "tr",
        {},
        h("th", { scope: "row", text: unit ? `${title}, ${shownUnit(unit)}` : title }),
        ...flights.map((flight) => h("td", { "data-key": key, text: cell(inUnit(unit, flight[key]), digits, factor) })),
      ),
  );
  const fins = (told.changed ?? told.as_it_is).fins ?? [];
  return [
    h("table", { class: "grid" }, h("thead", {}, head), h("tbody", {}, ...rows)),
    ...fins.map((fin) =>
      h("p", {
        class: "plan-says",
        text: `${fin.name}, mm: ${SIZES.map(([key, title]) => `${title} ${fixed(fin[key] * 1000, 1)}`).join(", ")}`,
      }),
    ),
    h("ul", { class: "plan-limits" }, ...told.limits.map(limit)),
    told.flown.apogee_m !== undefined && h("p", { class: "plan-says", text: flownWords(told.flown) }),
    h("p", { class: "plan-says", text: sourceWords(told.sources) }),
    h("p", {
      class: "plan-says",
      text: "Rules of thumb are common practice, and a forecast is no permission: the range safety officer decides.",
    }),
  ].filter(Boolean);
}

function limit({ name, value, unit, asked, met }) {
  return h(
    "li",
    { "data-tone": met ? "good" : "caution" },
    h("span", { class: "plan-mark", "aria-hidden": "true", text: met ? "\u2713" : "!" }),
    h("span", { text: `${name} ${amount(value, unit, 1)}: ${met ? "met" : "not met"} (${askedWords(asked, unit)})` }),
  );
}

/** A rule's bound; beside what is read in another unit its own number has its own unit. */
const askedWords = (asked, unit) =>
  withSigns(shownUnit(unit) === unit ? asked : asked.replace(/(\d+(?:\.\d+)?)(?! ?[\w/])/, `$1 ${unit}`));

function cell(value, digits, factor) {
  if (value === undefined || value === null) return fixed(undefined);
  return typeof value === "number" ? fixed(value * factor, digits) : String(value);
}

/** What the sheet's pieces add up to. */
export function ConfigurationPanel(el, acts) {
  const problem = h("p", { class: "absent" });
  const body = h("div", { testid: "configuration" });
  el.append(problem, body);
  const look = asking(acts, (plan) => {
    setHidden(problem, Boolean(plan?.configuration));
    setText(problem, plan?.unbuilt ?? "Nothing computed yet.");
    body.replaceChildren(...(plan?.configuration ? configuration(plan.configuration) : []));
  });
  return { update: look };
}

function configuration(told) {
  const states = [
    ["at lift-off", told.liftoff],
    ["at burnout", told.burnout],
  ];
  const line = (title, key, digits) =>
    h(
      "tr",
      {},
      h("th", { scope: "row", text: title }),
      ...states.map(([, state]) => h("td", { text: fixed(state[key], digits) })),
    );
  const differing = told.against_sheet.filter(
    ({ sheet, computed }) => Math.abs(computed - sheet) > 0.02 * Math.abs(sheet),
  );
  return [
    h(
      "table",
      { class: "grid", testid: "configuration-states", "data-si": true },
      h(
        "thead",
        {},
        h("tr", {}, h("th", { text: "" }), ...states.map(([title]) => h("th", { scope: "col", text: title }))),
      ),
      h(
        "tbody",
        {},
        line("Mass, kg", "mass_kg", 3),
        line("Center of gravity, m", "center_of_gravity_m", 3),
        line("Static margin, calibers", "margin_calibers", 2),
        line("Pitch inertia, kg m\u00b2", "lateral_inertia_kg_m2", 4),
        line("Damping ratio", "damping_ratio", 3),
      ),
    ),
    h("p", { class: "plan-says", "data-si": true, text: pressureWords(told) }),
    h("p", { class: "plan-says", text: `The margin is ${told.margin_words} (common practice).` }),
    h(
      "table",
      { class: "grid", testid: "configuration-swing" },
      h(
        "thead",
        {},
        h(
          "tr",
          {},
          h("th", { scope: "col", text: "Swing to expect at" }),
          h("th", { scope: "col", text: "lift-off mass" }),
          h("th", { scope: "col", text: "burned out" }),
        ),
      ),
      h(
        "tbody",
        {},
        ...told.frequencies.map((row) =>
          h(
            "tr",
            {},
            h("th", { scope: "row", text: speedText(row.speed_m_s, 0) }),
            h("td", { text: `${fixed(row.liftoff_hz, 2)} Hz` }),
            h("td", { text: `${fixed(row.burnout_hz, 2)} Hz` }),
          ),
        ),
      ),
    ),
    h("p", { class: "plan-says", text: differenceWords(differing) }),
  ];
}

function flownWords({ apogee_m: apogee, rail_exit_speed_m_s: speed }) {
  const exit = known(speed) ? `, rail exit ${speedText(speed)}` : "";
  return `This flight, measured: apogee ${lengthText(apogee)}${exit}.`;
}

function sourceWords({ mass, drag, density, wind, propellant }) {
  const sources = [
    ["Mass", mass],
    ["Drag", drag],
    ["Air", density],
    ["Wind", wind],
    ["Propellant", propellant],
  ];
  return sources
    .filter(([title, text]) => text || title !== "Propellant")
    .map(([title, text]) => `${title}: ${withSigns(text)}.`)
    .join(" ");
}

function pressureWords({ center_of_pressure_m: center, normal_force_slope: slope, parts }) {
  const shares = parts
    .map((part) => `${part.name} ${fixed(part.slope, 2)} at ${fixed(part.station_m, 3)} m`)
    .join(", ");
  return `Center of pressure ${fixed(center, 3)} m from the nose tip, slope ${fixed(slope, 2)} per rad: ${shares}.`;
}

function differenceWords(rows) {
  if (!rows.length) return "The sheet\u2019s own numbers agree with its pieces within 2 %.";
  const words = rows.map(
    ({ key, sheet, computed }) => `${key} ${fixed(sheet, 3)} on the sheet, ${fixed(computed, 3)} by its pieces`,
  );
  return `The sheet\u2019s own numbers differ by more than 2 %: ${words.join("; ")}.`;
}
