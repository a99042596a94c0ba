// Numbers as words for people. Nothing here rounds a non-finite value away: what is none is said in words.

import { inMiles, inUnit, shownUnit, unitFactor } from "./units.js";

const MINUS = "\u2212";
const UNITS = { degC: "\u00b0C", deg: "\u00b0", "deg/s": "\u00b0/s", "m/s2": "m/s\u00b2", 1: "", "": "" };
const DIGITS = {
  deg: 1,
  "deg/s": 0,
  m: 1,
  "m/s": 1,
  "m/s2": 1,
  V: 2,
  A: 2,
  mAh: 0,
  hPa: 1,
  degC: 1,
  GB: 1,
  dBm: 1,
  s: 2,
  min: 0,
  "%": 0,
  1: 3,
  "B/s": 0,
};
const POINTS = ["N", "NE", "E", "SE", "S", "SW", "W", "NW"];

/** A milliampere for an hour, in coulombs. */
export const COULOMB_PER_MAH = 3.6;

/** What stands where nothing is known. */
export const NOTHING = "\u2013\u2013";

export const NOT_A_NUMBER = "not a number";

/** What is no number, in the words of the station (server/review/packets.py); "" for a number. */
export function notFinite(value) {
  if (Number.isNaN(value)) return NOT_A_NUMBER;
  if (value === Infinity) return "+infinite";
  return value === -Infinity ? `${MINUS}infinite` : "";
}

/** A number with fixed decimals; what is none in words; nothing known as two dashes. */
export function fixed(value, digits = 1) {
  if (value === undefined || value === null) return NOTHING;
  if (notFinite(value)) return notFinite(value);
  const text = Math.abs(value).toFixed(digits);
  return value < 0 && Number(text) !== 0 ? MINUS + text : text;
}

/** Unit as people write it. */
export function unitText(unit) {
  return UNITS[unit] ?? unit ?? "";
}

/** Value of a dictionary column in its display unit. */
export function inDisplayUnit(column, value) {
  return value * (column.display_scale ?? 1) + (column.display_offset ?? 0);
}

/** Text of a dictionary column's value, without the unit: enum and flag words, numbers as the person reads them. */
export function valueText(column, value) {
  if (value === undefined || value === null) return NOTHING;
  if (column.kind === "text") return withSigns(value);
  if (column.kind === "enum" && column.values?.[value] !== undefined) return column.values[value];
  if (column.kind === "flag" && Number.isFinite(value)) return value ? "yes" : "no";
  if (column.kind === "enum") return fixed(value, 0);
  return fixed(inUnit(siOf(column), inDisplayUnit(column, value)), digitsOf(column, value));
}

const siOf = (column) => column.display_unit || column.unit;

/** Unit of a column's values as the person reads them. */
export const columnUnit = (column) => unitText(shownUnit(siOf(column)));

// A ten-millionth of a degree is a centimeter on the ground.
const COORDINATE = /^(gnss\.|ground\.gnss_)(latitude|longitude)$/;

function digitsOf(column, value) {
  if (COORDINATE.test(column.role ?? "")) return 7;
  const unit = column.display_unit || column.unit;
  const small = column.range && column.range[1] - column.range[0] < 20;
  if (Number.isInteger(value) && (unit === "1" || !unit) && !small) return 0;
  return DIGITS[unit] ?? 2;
}

/** Value with its unit, for example "7.42 V". */
export function valueWithUnit(column, value) {
  const text = valueText(column, value);
  const unit = column.kind === "number" ? columnUnit(column) : "";
  if (!unit || text === NOTHING || notFinite(value)) return text;
  return unit.startsWith("\u00b0") && unit.length === 1 ? text + unit : `${text} ${unit}`;
}

/** Seconds as "T+00:12.3" or "T-00:03.2". */
export function tClock(seconds) {
  if (!Number.isFinite(seconds)) return `T ${NOTHING}`;
  const tenths = Math.round(Math.abs(seconds) * 10);
  const minutes = Math.floor(tenths / 600);
  const rest = ((tenths % 600) / 10).toFixed(1).padStart(4, "0");
  return `T${seconds < 0 && tenths > 0 ? MINUS : "+"}${String(minutes).padStart(2, "0")}:${rest}`;
}

/** The same to the millisecond: "T+00:05.000". */
export function tClockExact(seconds) {
  if (!Number.isFinite(seconds)) return `T ${NOTHING}`;
  const ms = Math.round(Math.abs(seconds) * 1000);
  const rest = ((ms % 60000) / 1000).toFixed(3).padStart(6, "0");
  return `T${seconds < 0 && ms > 0 ? MINUS : "+"}${String(Math.floor(ms / 60000)).padStart(2, "0")}:${rest}`;
}

/** Time of day on this computer of milliseconds since 1970, like 14:03:09. */
export function dayTime(ms) {
  const at = new Date(ms);
  return [at.getHours(), at.getMinutes(), at.getSeconds()].map((part) => String(part).padStart(2, "0")).join(":");
}

/** A length of time as "1:02:03" or "2:03". */
export function duration(seconds) {
  if (!Number.isFinite(seconds)) return NOTHING;
  const whole = Math.max(0, Math.floor(seconds));
  const parts = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
  const [hours, minutes, rest] = parts;
  const tail = `${String(rest).padStart(2, "0")}`;
  return hours ? `${hours}:${String(minutes).padStart(2, "0")}:${tail}` : `${minutes}:${tail}`;
}

/** How long ago: tenths below ten seconds, then whole seconds, minutes, hours. */
export function age(seconds) {
  if (seconds === undefined || !Number.isFinite(seconds)) return "never";
  const past = Math.max(0, seconds);
  if (past < 9.95) return `${past.toFixed(1)} s`;
  if (past < 119.5) return `${Math.round(past)} s`;
  if (past < 7200) return `${Math.floor(past / 60)} min`;
  return `${Math.floor(past / 3600)} h`;
}

/** Bytes as "12.3 MB", decimal multiples. */
export function bytes(count) {
  if (!Number.isFinite(count)) return NOTHING;
  const steps = [
    [1e9, "GB"],
    [1e6, "MB"],
    [1e3, "kB"],
  ];
  const step = steps.find(([size]) => count >= size);
  return step ? `${(count / step[0]).toFixed(1)} ${step[1]}` : `${count} B`;
}

/** Bearing in degrees from north clockwise, three digits as spoken, with its compass point. */
export function bearing(radians) {
  if (!Number.isFinite(radians)) return { degrees: NOTHING, point: "" };
  const turn = ((radians * 180) / Math.PI + 720) % 360;
  return { degrees: String(Math.round(turn) % 360).padStart(3, "0"), point: POINTS[Math.round(turn / 45) % 8] };
}

/** Bearing and compass point in one: "045° NE". */
export function bearingText(radians) {
  const { degrees, point } = bearing(radians);
  return `${degrees}\u00b0 ${point}`;
}

/** A height or a length given in meters, with its unit. */
export const lengthText = (meters, digits = 0) => `${lengthNumber(meters, digits)} ${shownUnit("m")}`;

/** The same without its unit. */
export const lengthNumber = (meters, digits = 0) => fixed(inUnit("m", meters), digits);

/** A speed given in m/s, with its unit. */
export const speedText = (m_s, digits = 1) => `${speedNumber(m_s, digits)} ${shownUnit("m/s")}`;

/** The same without its unit. */
export const speedNumber = (m_s, digits = 1) => fixed(inUnit("m/s", m_s), digits);

/** A number of a unit of SI with what is shown in its place. */
export const amount = (value, unit, digits) =>
  `${fixed(inUnit(unit, value), digits)} ${unitText(shownUnit(unit))}`.trim();

/** Distance given in meters: whole meters or feet below 10 km, then kilometers or miles. */
export function distance(meters) {
  if (!Number.isFinite(meters)) return NOTHING;
  if (meters < 9999.5) return lengthText(meters);
  return shownUnit("m") === "m" ? `${(meters / 1000).toFixed(1)} km` : `${inMiles(meters).toFixed(1)} mi`;
}

/**
 * Which limit of the column a value in SI units breaks: "warning", "caution" or "". A non-finite number is a warning.
 */
export function limitState(column, value) {
  if (typeof value !== "number") return "";
  if (!Number.isFinite(value)) return "warning";
  const { warning_low, warning_high, caution_low, caution_high } = column.limits ?? {};
  if (value < warning_low || value > warning_high) return "warning";
  if (value < caution_low || value > caution_high) return "caution";
  return "";
}

const AMOUNT = /([-\u2212]?\d+(?:\.\d+)?)( \u00b1 (\d+(?:\.\d+)?))? (m\/s|m)(?![\w/\u00b2])/g;

/**
 * A sentence of the station's for people: with signs, and where the person reads another unit than it was written in,
 * that amount beside each. The sentence keeps its own numbers, since some may stand in it without their unit.
 */
export function withSigns(text) {
  return signs(text).replace(AMOUNT, (whole, value, doubted, doubt, unit) => {
    if (shownUnit(unit) === unit) return whole;
    const digits = unit === "m/s" ? (value.split(".")[1]?.length ?? 0) : 0;
    const also = doubted ? ` \u00b1 ${fixed(Number(doubt) * unitFactor(unit), digits)}` : "";
    const beside = fixed(Number(value.replace(MINUS, "-")) * unitFactor(unit), digits);
    return `${whole} (${beside}${also} ${shownUnit(unit)})`;
  });
}

/** A text of the station's, which writes units in letters, with the signs that people write: "11 \u00b0C". */
function signs(text) {
  return String(text ?? "")
    .replace(/ deg\/s\b/g, " \u00b0/s")
    .replace(/ degC\b/g, " \u00b0C")
    .replace(/(?<=\d) (?:deg|degrees?)(?![\w/])/g, "\u00b0")
    .replace(/\bm\/s2\b/g, "m/s\u00b2")
    .replace(/\+-/g, "\u00b1")
    .replace(/(?:(?<=\bT)|(?<![\w.)\]+-]))-(?=\d)/g, MINUS);
}

/** First letter large. */
export function sentence(text) {
  return text ? text[0].toUpperCase() + text.slice(1) : "";
}
