// What a session tells of a flight seen from the side, as the profile wants it. Reads stores; draws nothing.

import { lengthText } from "../../kit/format.js";
import { movingOf } from "../../pictures/profile.js";
import { lastAtOrBefore } from "../../session/table.js";

const finite = Number.isFinite;
const PLACES = [
  ["position.east", "position.north", "position.up"],
  ["ground.gnss_east", "ground.gnss_north", "ground.gnss_up"],
];
const HEIGHTS = ["ground.height", "position.up", "altitude_baro"];
const NOSE_S = 0.25;
const NOSES_AT_MOST = 400;
const AWAY_M = 3; // nearer than this a direction is only noise
const FINE_S = 0.04;
const COARSE = 1 / 300; // of the time flown: a long way down needs no more points than the way up
const BEFORE_S = 0.5;
const MARKS = [
  ["burnout", "burnout"],
  ["apogee", "top"],
  ["deployment", "chutes"],
  ["landing", "landed"],
];

/** The role by which this vehicle's height is told, or undefined. */
export const heightRole = (view) => HEIGHTS.find((name) => view.tells(name));

/** Which roles tell where it is: [east, north, up] of one table of which a row has come; else undefined. */
function placeOf(view) {
  return PLACES.find((roles) => {
    const [east, north] = roles.map((role) => view.store.roles.get(role));
    return east && north && east.table === north.table && view.row(east.table) >= 0;
  });
}

/** Which way it moves, for markers. */
export function motionOf(view) {
  const climb = view.tells("ground.climb_rate") ? view.sample("ground.climb_rate") : view.sample("velocity.up");
  return movingOf({
    landed: Boolean(view.moment("landing")),
    flying: view.inFlight,
    pastTop: Boolean(view.moment("apogee")),
    climb: climb && !climb.stale ? climb.value : undefined,
  });
}

/** Collects the way flown row by row, so that a frame reads only what is new. */
export function wayFlown() {
  let of = "";
  let points = [];
  let read = -1;
  return (view, zero, place, role) => {
    const binding = view.store.roles.get(place?.[0] ?? role);
    const table = view.store.tables.get(binding.table);
    const last = view.row(binding.table);
    const key = [view.store.session, zero, binding.table, table.coarse].join();
    if (key !== of || last < read) {
      of = key;
      points = [];
      read = lastAtOrBefore(table.t, Math.max(0, last + 1), zero) - 1;
    }
    while (read < last) {
      read += 1;
      if (read < 0) continue;
      const point = pointAt(view, table, read, zero, place, role);
      const before = points[points.length - 1];
      if (point && !(before && point.t - before.t < Math.max(FINE_S, point.t * COARSE))) points.push(point);
    }
    const now = last >= 0 && pointAt(view, table, last, zero, place, role);
    return now && now.t > (points[points.length - 1]?.t ?? -Infinity) ? [...points, now] : points;
  };
}

function pointAt(view, table, row, zero, place, role) {
  const t = table.t[row];
  const [east, north, claim] = (place ?? []).map((one) => {
    const binding = view.store.roles.get(one);
    return binding ? table.value(binding.index, row) : undefined;
  });
  if (place && !(finite(east) && finite(north))) return undefined;
  const ground = role ? view.valueAt(role, t) : undefined;
  const up = finite(ground) ? ground : claim;
  return finite(up) && t >= zero - BEFORE_S ? { t: t - zero, east, north, up, claim } : undefined;
}

/**
 * The flight up to the cursor. @returns {import("../../pictures/profile.js").Flight|undefined} undefined where nothing
 *   tells a height; `lost` is true while nobody is heard
 */
export function flightSide(view, way) {
  const role = heightRole(view);
  const place = placeOf(view);
  if (!role && !place) return undefined;
  const lifted = view.moment("lift_off")?.t;
  const zero = lifted ?? view.cursor.t;
  const raw = way(view, zero, place, role);
  const toward = towardOf(view, raw, place);
  const along = ({ east, north }) => (place ? east * Math.sin(toward) + north * Math.cos(toward) : 0);
  const points = raw.map((point) => ({ ...point, along: along(point) }));
  const isOver = Boolean(view.moment("apogee"));
  const sheet = view.store.dictionary.sheet ?? {};
  return {
    points,
    hasPlace: Boolean(place),
    toward,
    noses: lifted === undefined || !place ? [] : nosesOf(view, lifted, toward, points),
    rail: finite(sheet.rail_length_m) ? { length: sheet.rail_length_m } : undefined,
    gate: view.value("control.gate.altitude"),
    expected: sheet.expected_apogee_m,
    foretold: lifted === undefined ? undefined : foretoldOf(view, lifted, points, place),
    predicted: isOver ? undefined : intervalOf(view),
    marks: lifted === undefined ? [] : marksOf(view, lifted, points),
    moving: motionOf(view),
    lost: view.silence !== null,
  };
}

/** The plane's bearing: to the top, before it to where it is, nearer than that by the nose. */
function towardOf(view, points, place) {
  if (!place || points.length === 0) return 0;
  const top = view.moment("apogee")?.t;
  const by = top === undefined ? points[points.length - 1] : nearest(points, top - view.zero);
  if (Math.hypot(by.east, by.north) >= AWAY_M) return Math.atan2(by.east, by.north);
  const azimuth = view.tells("ground.azimuth") ? view.value("ground.azimuth") : undefined;
  return finite(azimuth) ? azimuth : 0;
}

function nearest(points, t) {
  return points.find((point) => point.t >= t) ?? points[points.length - 1];
}

/** Between the two points about a moment. */
function between(points, t) {
  const i = points.findIndex((point) => point.t >= t);
  if (i <= 0) return points[i < 0 ? points.length - 1 : 0];
  const [a, b] = [points[i - 1], points[i]];
  const share = (t - a.t) / (b.t - a.t);
  return { along: a.along + share * (b.along - a.along), up: a.up + share * (b.up - a.up) };
}

function nosesOf(view, lifted, toward, points) {
  if (!view.tells("ground.tilt") || points.length === 0) return [];
  const end = Math.min(points[points.length - 1].t, (view.moment("apogee")?.t ?? Infinity) - lifted);
  const noses = [];
  for (let i = 0; i * NOSE_S <= end && i < NOSES_AT_MOST; i++) {
    const tilt = view.valueAt("ground.tilt", lifted + i * NOSE_S);
    const azimuth = view.valueAt("ground.azimuth", lifted + i * NOSE_S);
    if (!finite(tilt) || !finite(azimuth)) continue;
    const lean = Math.atan2(Math.sin(tilt) * Math.cos(azimuth - toward), Math.cos(tilt));
    noses.push({ t: i * NOSE_S, ...between(points, i * NOSE_S), lean });
  }
  return noses;
}

const PREDICTED = ["ground.predicted_apogee_low", "ground.predicted_apogee_high", "ground.predicted_apogee_in"];

function intervalOf(view) {
  const [low, high] = PREDICTED.map((role) => (view.tells(role) ? view.value(role) : undefined));
  return finite(low) && finite(high) && view.inFlight ? { low, high } : undefined;
}

/** The first prediction of the top that this flight had, and what it set out from. */
function foretoldOf(view, lifted, points, place) {
  const bindings = PREDICTED.map((role) => (view.tells(role) ? view.store.roles.get(role) : undefined));
  if (bindings.some((one) => !one) || points.length < 2) return undefined;
  const table = view.store.tables.get(bindings[0].table);
  const last = view.row(bindings[0].table);
  for (let row = lastAtOrBefore(table.t, last + 1, lifted) + 1; row <= last; row++) {
    const [low, high, left] = bindings.map(({ index }) => table.value(index, row));
    const rise = view.valueAt("ground.climb_rate", table.t[row]);
    if (![low, high, left, rise].every(finite) || rise <= 0) continue;
    const t = table.t[row] - lifted;
    const [at, before] = [between(points, t), between(points, t - BEFORE_S)];
    const drift = place ? (at.along - before.along) / BEFORE_S : 0;
    return { t, along: at.along, up: at.up, rise, drift, low, high, in_s: left };
  }
  return undefined;
}

function marksOf(view, lifted, points) {
  return MARKS.flatMap(([key, word]) => {
    const moment = view.moment(key);
    if (!moment || moment.on === false || points.length === 0) return [];
    const t = moment.t - lifted;
    const at = between(points, t);
    const up = finite(moment.height_m) ? moment.height_m : at.up;
    const text = key === "landing" ? word : `${word} ${lengthText(up)}`;
    return [{ key, text, t, along: at.along, up: key === "landing" ? Math.max(0, at.up) : up }];
  });
}
