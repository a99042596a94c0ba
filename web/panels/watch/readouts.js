// The big numbers of a flight, each with the greatest of this flight beside it.

import { h, setAttr, setClass, setHidden, setText, setTone } from "../../kit/dom.js";
import { fixed, lengthNumber, lengthText, NOTHING, notFinite } from "../../kit/format.js";
import { wasAgo } from "../../kit/silence_words.js";
import { inUnit, shownUnit, unitFactor } from "../../kit/units.js";

const DEG = 180 / Math.PI;
const WHOLE_FROM = 1000;

const READOUTS = [
  { id: "height", title: "Height", unit: "m", digits: 1, role: "ground.height", fallback: "position.up" },
  { id: "climb", title: "Climb rate", unit: "m/s", digits: 1, role: "ground.climb_rate", fallback: "velocity.up" },
  { id: "speed", title: "Speed", unit: "m/s", digits: 1, role: "ground.speed" },
  {
    id: "tilt",
    title: "Tilt",
    unit: "\u00b0",
    digits: 1,
    scale: DEG,
    role: "ground.tilt",
    ascentOnly: true,
    note: "before apogee",
  },
  {
    id: "roll-rate",
    title: "Roll rate",
    unit: "\u00b0/s",
    digits: 0,
    scale: DEG,
    role: "body_rate.z",
    fallback: "gyro.a.z",
  },
];

export function Readouts(el) {
  const cells = READOUTS.map((readout) => {
    const value = h("span", { class: "number", testid: `readout-${readout.id}` });
    const unit = h("span", { class: "unit" });
    const most = h("span", { class: readout.note ? "most -long" : "most" });
    const cell = h(
      "div",
      { class: "readout" },
      h("span", { class: "label", text: readout.title }),
      h("span", { class: "line" }, value, unit),
      most,
    );
    return { readout, cell, value, unit, most };
  });
  const apogee = h("span", { class: "number", testid: "readout-apogee" });
  const apogeeNote = h("span", { class: "most" });
  el.append(
    ...cells.map(({ cell }) => cell),
    h(
      "div",
      { class: "readout -apogee" },
      h("span", { class: "label", text: "Apogee" }),
      h("span", { class: "line" }, apogee),
      apogeeNote,
    ),
  );

  return {
    update(view) {
      for (const cell of cells) showReadout(view, cell);
      showApogee(view, apogee, apogeeNote);
    },
  };
}

/** A number of four digits or more needs no decimals, and has no room for them. */
const brief = (value, digits) => fixed(value, Math.abs(value) >= WHOLE_FROM ? 0 : digits);

function showReadout(view, { readout, cell, value, unit, most }) {
  const roles = [readout.role, readout.fallback].filter((name) => name && view.has(name));
  const role = roles.find((name) => view.tells(name)) ?? roles[0];
  setHidden(cell, !role);
  if (!role) return;
  setText(unit, shownUnit(readout.unit));
  const lack = view.lacks(role);
  setClass(most, "-why", Boolean(lack));
  if (lack) {
    setText(value, NOTHING);
    setAttr(value, "data-value", undefined);
    setTone(cell, "none");
    setText(most, `needs ${lack}`);
    return;
  }
  const scale = readout.scale ?? unitFactor(readout.unit);
  const sample = view.sample(role);
  const number = brief(sample.value === undefined ? undefined : sample.value * scale, readout.digits);
  const isLost = sample.stale && sample.value !== undefined;
  const isBad = typeof sample.value === "number" && !Number.isFinite(sample.value);
  setText(value, isLost || isBad ? NOTHING : number);
  setAttr(value, "data-value", Number.isFinite(sample.value) && !isLost ? sample.value : undefined);
  setTone(cell, isBad ? "warning" : sample.stale ? "stale" : "none");
  // For tilt only until apogee, since every vehicle lies down in the end.
  const greatest = view.greatestInFlight(role, readout.ascentOnly ? "apogee" : "landing");
  const peak = Number.isFinite(greatest) ? `${readout.note ?? "peak"} ${brief(greatest * scale, readout.digits)}` : "";
  setText(most, isLost ? wasAgo(number, sample.age) : isBad ? notFinite(sample.value) : peak);
}

function showApogee(view, value, note) {
  const apogee = view.moment("apogee");
  const height = apogee?.height_m;
  const foreseen = apogee ? undefined : view.value("ground.predicted_apogee");
  setText(
    value,
    Number.isFinite(height)
      ? `${brief(inUnit("m", height), 1)} ${shownUnit("m")}`
      : Number.isFinite(foreseen)
        ? `~${lengthText(foreseen)}`
        : NOTHING,
  );
  setAttr(value, "data-value", Number.isFinite(height) ? height : undefined);
  const told = view.sample("ground.predicted_apogee");
  const isLost = told?.stale && Number.isFinite(told.value);
  const coming = isLost ? wasAgo("predicted", told.age) : predictedText(view);
  const why = apogee ? "" : whyNotPredicted(view);
  setClass(note, "-why", Boolean(why));
  setText(note, why || (apogee ? `at T+${fixed(apogee.t - view.zero, 1)} s` : coming));
}

// In flight and before the top: what stands against a prediction, as the station says; "" while there is one.
function whyNotPredicted(view) {
  const { reason } = view.state("prediction", "apogee")?.body ?? {};
  return view.inFlight && reason ? `not predicted: ${reason}` : "";
}

// While it coasts: the predicted apogee's 95 % interval and how long until then.
function predictedText(view) {
  const [low, high, seconds] = ["low", "high", "in"].map((part) => view.value(`ground.predicted_apogee_${part}`));
  if (![low, high, seconds].every(Number.isFinite)) return "not reached";
  return `${lengthNumber(low)} to ${lengthText(high)}, in ${fixed(Math.max(0, seconds), 1)} s`;
}
