// The plan in words, for whoever cannot see it, and the lines that stand under it. Pure.

import { bearingText, distance, speedText } from "../kit/format.js";
import { walkOf } from "./plan.js";
import { mapOf, reachesInto } from "./plan_way.js";

const away = ({ east, north }, text) => {
  const far = Math.hypot(east, north);
  return far < 1 ? "at the pad" : `${text(far)}, ${bearingText(Math.atan2(east, north))} from the pad`;
};
const within = ({ radius }, text) => (Number.isFinite(radius) ? `, within ${text(radius)} (95\u00a0%)` : "");

/** "Wind 1.9 m/s toward 098° E, measured by its drift under the parachute"; "" where nothing is told of it. */
export function windWords(wind) {
  if (!wind || !Number.isFinite(wind.speed)) return "";
  const toward = Number.isFinite(wind.toward) ? ` toward ${bearingText(wind.toward)}` : ", direction not told";
  return `Wind ${speedText(wind.speed)}${toward}, ${wind.source}`;
}

/** What forbids the straight way, or reaches into the circle that holds the place; "" where nothing declared does. */
export function wayWords(data) {
  const walk = walkOf(data);
  if (!walk) return "";
  if (walk.bar) return walk.bar.sentence;
  const radius = data.best.radius ?? 0;
  const near = mapOf(data.map).keep_out.find(({ points }) => reachesInto(data.best, radius, points));
  return near
    ? `a keep-out${near.name ? ` (${near.name})` : ""} lies within its circle: ask the range officer first`
    : "";
}

const BASIS = { forecast: "Predicted landing", landed: "It lies" };

/** The whole picture in sentences. @param {import("./plan.js").PlanData} data */
export function planWords(data, text = distance) {
  const { best, last, other, track, person } = data;
  const map = mapOf(data.map);
  const walk = walkOf(data);
  const count = (list, what) =>
    list.length ? `${what} ${list.map(({ name }) => name || "without a name").join(", ")}` : "";
  const parts = [
    "Plan, north up",
    BASIS[best?.basis] ? `${BASIS[best.basis]} ${away(best, text)}${within(best, text)}` : "Where it lies is not known",
    last ? `Last heard ${away(last, text)}` : "",
    other ? `The part lost ${away(other, text)}${within(other, text)}` : "",
    track.length > 1 ? `The track is drawn from ${away(track[0], text)} to ${away(track.at(-1), text)}` : "No track",
    person ? `You stand ${away(person, text)}` : "",
    walk?.bar ? `No line to walk is drawn: ${walk.bar.sentence}` : wayWords(data),
    windWords(data.wind),
    ...map.landmarks.map((one) => `${one.name} ${away(one, text)}`),
    count(map.keep_out, "Keep-outs:"),
    count(map.roads, "Roads:"),
    count(map.wires, "Wires:"),
    map.boundary ? "The edge of the field is drawn" : "",
  ];
  return `${parts.filter(Boolean).join(". ")}.`;
}
