// What the journal says of a calibration, and how its numbers are told. Pure.

import { withSigns } from "../../kit/format.js";

/** What can be calibrated: [key, title, is it of one of the two units?], as in server/calibrating/guide.py. */
export const KINDS = [
  ["accelerometer", "Accelerometer in six positions", true],
  ["gyro", "Gyro bias at rest", true],
  ["turn", "Gyro scale by whole turns", true],
  ["allan", "Gyro noise by Allan deviation", true],
  ["alignment", "Unit b against unit a", false],
  ["magnetometer", "Magnetometer", false],
  ["barometer", "Barometer on known heights", false],
];
export const CAUTION =
  "Before anything is moved: motor and all charges out, arming key out, fins powered off, hands clear of fins and " +
  "channels. The range safety officer and local law decide; Blockhouse is not a safety device.";
export const WORDS = {
  running: { word: "running", tone: "busy" },
  done: { word: "done", tone: "good" },
  stopped: { word: "stopped", tone: "caution" },
  refused: { word: "not calibrated", tone: "danger" },
};
const AXES = ["x", "y", "z"];

/** The calibration at the cursor, or undefined where there was none. */
export function calibrationAt(view) {
  const body = view.state("calibration", "now")?.body;
  return body && Object.hasOwn(WORDS, body.state) ? body : undefined;
}

/** One sentence about it. */
export function calibrationSentence({ state, title, unit, serial, why, what }) {
  const isOfUnit = KINDS.some(([key, , ofUnit]) => key === what && ofUnit);
  const of = `${title}${isOfUnit ? `, unit ${unit}` : ""} (${serial}): ${WORDS[state].word}`;
  return why ? `${of}, ${why}` : of;
}

/** Heights as typed, "0, 3, 6": numbers in meters, or undefined for what is none. */
export function heightsOf(text) {
  const parts = text.split(",").map((part) => part.trim());
  const heights = parts.filter((part) => part !== "").map(Number);
  return heights.length && heights.every(Number.isFinite) ? heights : undefined;
}

/** Every number of a result with its sigma: [{name, value, sigma, unit}], texts. */
export function resultRows(result) {
  return (Array.isArray(result?.rows) ? result.rows : []).flatMap(({ name, values, sigma, unit }) =>
    flat(values).map((value, at) => ({
      name: [name.replaceAll("_", " "), axesOf(values, at)].filter(Boolean).join(" "),
      value: digits(value, 5),
      sigma: `\u00b1 ${digits(flat(sigma)[at], 2)}`,
      unit,
    })),
  );
}

const flat = (values) => [values].flat(2);

function axesOf(values, at) {
  if (flat(values).length === 1) return "";
  return Array.isArray(values[0]) ? AXES[Math.floor(at / 3)] + AXES[at % 3] : AXES[at];
}

function digits(value, count) {
  return Number.isFinite(value) ? withSigns(String(Number(value.toPrecision(count)))) : "\u2013";
}
