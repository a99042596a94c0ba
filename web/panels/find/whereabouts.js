// Where to walk, as the station judged it, and what was heard last. The page chooses nothing: the figure says what the
// estimate rests on. Before there is a figure only the point heard can be told, and says that it is no more. Pure.

import { age, bearingText, distance, lengthText } from "../../kit/format.js";
import { judgedPlace, lastPoint, recoveryOf } from "../../pictures/plan_data.js";
import { fromPad } from "./from_pad.js";

/**
 * The headline: the station's estimate of where it lies, else the point heard.
 * @returns {{basis: "forecast"|"landed"|"last", bearing: number, distance: number, radius?: number}|undefined}
 */
export function bestPlace(view) {
  const point = lastPoint(view);
  const judged = judgedPlace(view);
  if (judged) return { ...point, ...judged };
  return point && { ...point, ...fromPad(point.east, point.north), basis: "last" };
}

/** What the headline rests on, with its radius. */
export function placeWords(view, best) {
  if (!best) return "No position heard yet";
  const within = Number.isFinite(best.radius) ? `, within ${distance(best.radius)} (95\u00a0%)` : "";
  if (best.basis === "forecast") return `Predicted landing${within}`;
  if (best.basis === "landed") return `Lies there${within}; position heard ${age(best.age)} ago`;
  const height = view.inFlight && Number.isFinite(best.height) ? ` ${lengthText(best.height)} up` : "";
  if (view.inFlight) return `Last point heard,${height} in the air, ${age(best.age)} ago; where it lands is not known`;
  const sides = `${side(best.east, "east", "west")}, ${side(best.north, "north", "south")}`;
  return `${sides}; position heard ${age(best.age)} ago`;
}

/** The last point heard, for the second line: "Last heard 32 m, 261\u00b0 W, 56 m up, 40 s ago". */
export function lastPointWords(view) {
  const point = lastPoint(view);
  if (!point) return "";
  const height = Number.isFinite(point.height) ? `, ${lengthText(point.height)} up` : "";
  const away = fromPad(point.east, point.north);
  return `Last heard ${distance(away.distance)}, ${bearingText(away.bearing)}${height}, ${age(point.age)} ago`;
}

/** Where a part lost under canopy fell: "The part lost: 640 m, 113\u00b0 ESE, within 120 m (95 %)"; else empty. */
export function otherWords(view) {
  const figure = recoveryOf(view);
  if (!Number.isFinite(figure.other_distance_m)) return "";
  const away = `${distance(figure.other_distance_m)}, ${bearingText(figure.other_bearing_rad)}`;
  return `The part lost: ${away}, within ${distance(figure.other_radius_m)} (95\u00a0%)`;
}

function side(meters, positive, negative) {
  return `${lengthText(Math.abs(meters))} ${meters < 0 ? negative : positive}`;
}
