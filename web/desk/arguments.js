// A command's arguments: SI on the wire, display units under the person's fingers.

import { fixed, inDisplayUnit, unitText } from "../kit/format.js";

/** Least and greatest value of an argument as the form shows them. */
export function shownRange(arg) {
  return [arg.min, arg.max].map((limit) =>
    limit === undefined || limit === null ? undefined : tidy(inDisplayUnit(arg, limit)),
  );
}

/** What a person typed or chose, as the SI value that is sent; NaN when it is not a number. */
export function toSi(arg, text) {
  if (String(text).trim() === "") return NaN;
  const shown = Number(text);
  if (arg.values) return shown;
  return (shown - (arg.display_offset ?? 0)) / (arg.display_scale ?? 1);
}

/** Why a value cannot be sent, as a sentence; "" when it can. */
export function complaint(arg, value) {
  if (!Number.isFinite(value)) return `${label(arg)} needs a number.`;
  const [low, high] = shownRange(arg);
  const slack = 1e-9 * Math.max(1, Math.abs(value));
  if (value >= arg.min - slack && value <= arg.max + slack) return "";
  const unit = unitText(arg.display_unit || arg.unit);
  return `${label(arg)} must be from ${fixedOrWhole(low)} to ${fixedOrWhole(high)}${unit}.`;
}

/** Name of an argument for people. */
export function label(arg) {
  return arg.name[0].toUpperCase() + arg.name.slice(1).replaceAll("_", " ");
}

/** Choices for an argument that counts something: whole numbers between its limits, at most eight. */
export function choices(arg, fitted) {
  if (arg.values)
    return arg.values
      .map((text, value) => ({ value, text }))
      .filter(({ value }) => value >= (arg.min ?? 0) && value <= (arg.max ?? Infinity));
  const whole = /^u\d/.test(arg.type ?? "") && !arg.display_unit;
  if (!whole || arg.max - arg.min > 7) return null;
  const all = Array.from({ length: arg.max - arg.min + 1 }, (_, i) => ({
    value: arg.min + i,
    text: String(arg.min + i),
  }));
  return fitted?.length ? all.filter(({ value }) => fitted.includes(String(value))) : all;
}

function tidy(value) {
  return Math.round(value * 1000) / 1000;
}

function fixedOrWhole(value) {
  return Number.isInteger(value) ? String(value).replace("-", "\u2212") : fixed(value, 2);
}
