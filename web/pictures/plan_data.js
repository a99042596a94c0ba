// What the plan shows of a session at a moment: places in meters from the pad, by the vehicle's navigation or by GNSS,
// and what the station has judged. Pure; it chooses no estimate of its own.

import { age, lengthText } from "../kit/format.js";
import { lastAtOrBefore } from "../session/table.js";

const POINTS = 240;
const finite = Number.isFinite;

/** By the vehicle's navigation, else by GNSS as the station reckons it from the pad: [roles, who tells]. */
export const PLACES = [
  [["position.east", "position.north", "position.up"], "its own navigation"],
  [["ground.gnss_east", "ground.gnss_north", "ground.gnss_up"], "GNSS"],
];

/** True when this vehicle tells where it is. */
export const tellsPlace = (view) => PLACES.some(([[east, north]]) => view.has(east) && view.has(north));

/**
 * The figure "recovery" at the cursor, {} before there is one. Once it lies, the last word of the session counts: it
 * lies in one place, and the summary and the report tell that one.
 */
export function recoveryOf(view) {
  const then = view.state("figure", "recovery")?.body ?? {};
  if (then.whereabouts_basis !== "landed") return then;
  const last = view.store.journal.state("figure", "recovery")?.body;
  return last?.whereabouts_basis === "landed" ? last : then;
}

/** The newest place heard: {east, north, height (m) or NaN, age (s)}; undefined when none was. */
export function lastPoint(view) {
  const heard = ([roles]) => view.lastFinite(...roles) ?? view.lastFinite(...roles.slice(0, 2));
  const known = PLACES.map(heard).find((place) => place !== undefined);
  if (!known) return undefined;
  const [east, north, height = NaN] = known.values;
  return { east, north, height, age: known.age };
}

/**
 * Where it lies by the station's word: {basis, east, north, distance (m), bearing (rad), radius?}; undefined while the
 * station has not judged. In the air "last" is only the point heard.
 */
export function judgedPlace(view) {
  const figure = recoveryOf(view);
  const { whereabouts_basis: basis, whereabouts_distance_m: away, whereabouts_radius_m: radius } = figure;
  if (!(basis === "forecast" || basis === "landed") || !finite(away)) return undefined;
  const bearing = ((figure.whereabouts_bearing_deg ?? 0) * Math.PI) / 180;
  const place = { east: away * Math.sin(bearing), north: away * Math.cos(bearing) };
  return { basis, ...place, distance: away, bearing, radius: finite(radius) ? radius : undefined };
}

/**
 * The track from lift-off up to the cursor, thinned, each place with the phase the station saw then.
 * @returns {{points: {east: number, north: number, phase: string}[], source: string}|undefined} undefined when nothing
 *   tells a place
 */
export function trackOf(view) {
  const from = view.moment("lift_off")?.t ?? -Infinity;
  const phases = view.store.journal.past("phase", "ground", view.rxLimit);
  const times = phases.map((entry) => entry.t);
  const phaseAt = (t) => phases[lastAtOrBefore(times, times.length, t)]?.body?.phase ?? "";
  for (const [place, source] of PLACES) {
    const [east, north] = place.map((role) => view.store.roles.get(role));
    if (!east || !north || east.table !== north.table) continue;
    const table = view.store.tables.get(east.table);
    const points = [];
    const last = view.row(east.table);
    const step = Math.max(1, Math.ceil((last + 1) / (4 * POINTS)));
    for (let row = last; row >= 0 && table.t[row] >= from; row -= step) {
      const point = { east: table.columns[east.index][row], north: table.columns[north.index][row] };
      if (finite(point.east) && finite(point.north)) points.push({ ...point, phase: phaseAt(table.t[row]) });
    }
    const thin = Math.max(1, Math.ceil(points.length / POINTS));
    if (points.length > 0) return { points: points.reverse().filter((_, i) => i % thin === 0), source };
  }
  return undefined;
}

/** The wind (m/s) that a person measured at the pad, as its line of the pad sheet stood at the lift-off; undefined. */
function padWind({ store: { journal }, rxLimit }) {
  const groups = journal.state("pad_sheet", "definition", rxLimit)?.body?.groups;
  const items = Array.isArray(groups) ? groups.flatMap(({ items: some }) => some ?? []) : [];
  const name = items.find(({ measures }) => measures === "site.wind")?.name;
  if (name === undefined) return undefined;
  const lifted = journal.past("moment", "lift_off", rxLimit)[0]?.i ?? Infinity;
  const line = journal.past("pad_sheet", `item ${name}`, rxLimit).findLast(({ i }) => i < lifted)?.body;
  return line?.by && finite(line.number) && line.number >= 0 ? line.number : undefined;
}

/** The wind: by the drift once it is judged, else the pad's (speed only): measured there, else by the sheet. */
export function windOf(view) {
  const { drift_m_s: speed, drift_toward_rad: toward } = recoveryOf(view);
  if (finite(speed)) return { speed, toward, source: "measured by its drift under the parachute" };
  const measured = padWind(view);
  if (measured !== undefined) return { speed: measured, source: "measured at the pad" };
  const pad = view.store.dictionary.site?.wind_m_s;
  return finite(pad) ? { speed: pad, source: "at the pad by the site's sheet" } : undefined;
}

/** How far off a place of the track may be (m, 95 %), as the station told it of one just heard; undefined before. */
function doubtOf(view) {
  const told = view.store.journal.past("figure", "recovery", view.rxLimit).map((entry) => entry.body?.last_radius_m);
  const least = Math.min(Infinity, ...told.filter(finite));
  return finite(least) ? least : undefined;
}

/** Everything the plan draws. @param {{east: number, north: number, accuracy: number}} [person] as the phone tells */
export function planDataOf(view, person, track = trackOf(view)) {
  const figure = recoveryOf(view);
  const best = judgedPlace(view);
  const point = lastPoint(view);
  const isHeard = point && best?.basis !== "landed";
  const height = point && view.inFlight && finite(point.height) ? `, ${lengthText(point.height)} up` : "";
  const lost = finite(figure.other_east_m) && {
    east: figure.other_east_m,
    north: figure.other_north_m,
    radius: figure.other_radius_m,
  };
  return {
    track: track?.points ?? [],
    doubt: doubtOf(view),
    best,
    last: isHeard ? { east: point.east, north: point.north, text: `heard ${age(point.age)} ago${height}` } : undefined,
    other: lost || undefined,
    wind: windOf(view),
    map: view.store.dictionary.map ?? undefined,
    person,
  };
}
