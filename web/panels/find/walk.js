// Where to walk, put together for the panels: from the pad, and from where the phone stands once that is known. Pure.

import { bearingText, distance, fixed } from "../../kit/format.js";
import { barOf } from "../../pictures/plan_way.js";
import { fromPad } from "./from_pad.js";
import { originOf, seenFrom } from "./geodesy.js";
import { isOldFix } from "./phone_place.js";
import { bestPlace } from "./whereabouts.js";

/** Closer than this the direction is only noise. */
export const AT_PAD_M = 3;
export const OFFICER_WAITS = "The hunt waits for the range officer: nobody walks before the range is opened.";
const RAD = Math.PI / 180;

/** Where the phone stands: {east, north, accuracy} in meters from the pad; undefined while it tells nothing of late. */
export function personOf(view, phone, now) {
  if (phone?.state !== "on" || !phone.fix || isOldFix(phone.fix, now)) return undefined;
  const origin = originOf(view);
  return origin && { ...seenFrom(origin, phone.fix), accuracy: phone.fix.accuracy };
}

/**
 * The walk at a view: {best, from, distance, bearing, bar, title}; `distance` and `bearing` from where it begins, `bar`
 * what forbids the straight way. Undefined while no place is known.
 */
export function walkAt(view, person) {
  const best = bestPlace(view);
  if (!best) return undefined;
  const from = person ?? { east: 0, north: 0 };
  const away = fromPad(best.east - from.east, best.north - from.north);
  const bar = barOf(from, best, view.store.dictionary.map);
  const title = best.basis === "last" ? "Last heard" : bar ? "It lies" : "Walk to";
  return { best, from, ...away, bar, title, here: away.distance < AT_PAD_M };
}

/** "From where you stand 50 m, 180° S; this phone knows its own place within 5 m". */
export function fromYouWords(walk, person) {
  if (!walk || !person) return "";
  const away = walk.here
    ? "You stand there"
    : `From where you stand ${distance(walk.distance)}, ${bearingText(walk.bearing)}`;
  return `${away}; this phone knows its own place within ${distance(person.accuracy)} (95\u00a0%)`;
}

/** What the phone says of itself where it helps nobody: why not, that it asks, that its place is old. */
export function phoneWords(view, phone, now) {
  if (phone.state === "asking") return phone.why || "Asking this phone where it stands\u2026";
  if (phone.state !== "on") return phone.why;
  if (!originOf(view)) return "Neither the site's sheet nor the vehicle tells where the pad is in degrees.";
  if (isOldFix(phone.fix, now))
    return `This phone's place is ${fixed((now - phone.fix.at) / 1000, 0)} s old: no line from there.`;
  return phone.why;
}

/** "True north; declination 3.5° E: a compass shows 062°" */
export function northWords(declination, bearing) {
  if (!Number.isFinite(declination)) return "Bearings are from true north; the site's sheet gives no declination.";
  const side = declination < 0 ? "W" : "E";
  const told = `Bearings are from true north; declination ${fixed(Math.abs(declination), 1)}\u00b0 ${side}`;
  return Number.isFinite(bearing)
    ? `${told}: a compass shows ${bearingText(bearing - declination * RAD).split(" ")[0]}.`
    : `${told}.`;
}

/** How far the ring is turned so that its top is where the phone points (degrees); null while that is not known. */
export function ringTurn(phone, declination) {
  if (phone.state !== "on" || phone.heading === null) return null;
  return -(phone.heading + (Number.isFinite(declination) ? declination : 0));
}
