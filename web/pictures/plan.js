// The plan: the ground from above, north up, as numbers to draw. Places come in meters east and north of the pad and
// leave in pixels of a box. Pure: the same data gives the same picture live, in a replay and in a report.

import { bearing, distance, speedText } from "../kit/format.js";
import { unitFactor } from "../kit/units.js";
import { barOf, mapOf } from "./plan_way.js";

const finite = Number.isFinite;
const LEAST_SPAN_M = 40;
const RINGS_ABOUT = 5; // so many ring distances across
const RINGS_AT_MOST = 16;
const FARTHEST_M = 20000; // what is farther off than this, a person's own place say, does not set the scale
// What stands beside the flight is taken into the picture up to this share of the flight's own span away.
const LANDMARKS_WITHIN = 0.4;
const AT_PLACE_M = 3; // closer than this a direction is only noise
const MARGIN = 26;
const LETTER = 6.6; // width of a letter at LINE's size, roughly
const LARGE = 8.5; // of the walk's
const LINE = 15;
const DIRECTIONS = [0, 45, 90, 135, 180, 225, 270, 315].map((degrees) => (degrees * Math.PI) / 180);

/**
 * @typedef {{east: number, north: number}} Place meters from the pad
 * @typedef {object} PlanData
 * @property {(Place & {phase: string})[]} track @property {number} [doubt] m, holds a place of the track with 95 %
 * @property {(Place & {text: string})} [last] the last place heard, where it is not the headline itself
 * @property {(Place & {basis: "forecast"|"landed"|"last", radius?: number})} [best] where it lies
 * @property {(Place & {radius?: number})} [other] where a part lost under canopy lies
 * @property {{toward?: number, speed: number, source: string}} [wind] toward: rad from north over east
 * @property {object} [map] of the site: landmarks, keep_out, roads, wires, boundary
 * @property {(Place & {accuracy?: number})} [person] who looks, as the phone tells
 */

/** The least number of 1, 2, 5 times a power of ten that is not below a value. */
export function roundUp(value) {
  const power = 10 ** Math.floor(Math.log10(value));
  return [1, 2, 5, 10].map((factor) => factor * power).find((step) => step >= value * 0.999999);
}

/** Where the walk begins: where the person stands, else the pad. */
const startOf = ({ person }) => person ?? { east: 0, north: 0 };

/**
 * The walk: {from, to, distance (m), bearing (rad), bar}, or null while no place is known. Where `bar` stands,
 * something declared forbids the straight way: no line may be drawn. A point heard in the air is no place to walk to.
 */
export function walkOf(data) {
  const { best, map } = data;
  if (!best || best.basis === "last") return null;
  const from = startOf(data);
  const [east, north] = [best.east - from.east, best.north - from.north];
  const far = Math.hypot(east, north);
  return { from, to: best, distance: far, bearing: Math.atan2(east, north), bar: barOf(from, best, map) };
}

/** The least box around some places and the circles about them. */
function boundsOf(places) {
  const reach = (name, sign) => places.map((place) => place[name] + sign * (finite(place.radius) ? place.radius : 0));
  return {
    west: Math.min(...reach("east", -1)),
    east: Math.max(...reach("east", 1)),
    south: Math.min(...reach("north", -1)),
    north: Math.max(...reach("north", 1)),
  };
}

const isBeside = ({ east, north }, box, reach) =>
  east > box.west - reach && east < box.east + reach && north > box.south - reach && north < box.north + reach;

/** What the picture must show, in meters: the pad, the flight, where it lies; then what stands near enough to these. */
function windowOf(data) {
  const near = (place) =>
    finite(place?.east) && finite(place.north) && Math.hypot(place.east, place.north) < FARTHEST_M;
  const own = [{ east: 0, north: 0 }, ...data.track, data.last, data.best, data.other, data.person].filter(near);
  const flight = boundsOf(own);
  const span = Math.max(flight.east - flight.west, flight.north - flight.south, LEAST_SPAN_M);
  const map = mapOf(data.map);
  const points = [map.boundary ?? [], ...[...map.keep_out, ...map.roads, ...map.wires].map((one) => one.points)].flat();
  const beside = [...map.landmarks, ...points.map(([east, north]) => ({ east, north }))];
  const close = beside.filter((place) => isBeside(place, flight, span * LANDMARKS_WITHIN));
  const all = boundsOf([...own, ...close]);
  const step = roundUp(Math.max(all.east - all.west, all.north - all.south, LEAST_SPAN_M) / RINGS_ABOUT);
  // The edges move by half a ring at a time, so that a picture that grows stands still most of the time.
  const half = step / 2;
  const [below, above] = [Math.floor, Math.ceil].map((round) => (value) => round(value / half) * half);
  return { west: below(all.west), south: below(all.south), east: above(all.east), north: above(all.north), step };
}

/** The scale (pixels a meter) and `at`, which puts a place into the box. */
function frameOf(window, { width, height }) {
  const wide = Math.max(window.east - window.west, LEAST_SPAN_M / 2);
  const high = Math.max(window.north - window.south, LEAST_SPAN_M / 2);
  const scale = Math.min(Math.max(1, width - 2 * MARGIN) / wide, Math.max(1, height - 2 * MARGIN) / high);
  const middle = { east: (window.west + window.east) / 2, north: (window.south + window.north) / 2 };
  const at = ({ east, north }) => ({
    x: width / 2 + (east - middle.east) * scale,
    y: height / 2 - (north - middle.north) * scale,
  });
  return { scale, at };
}

const boxAt = (x, y, text, anchor, letter = LETTER) => {
  const width = text.length * letter + 6;
  const left = anchor === "start" ? x - 3 : anchor === "end" ? x - width + 3 : x - width / 2;
  return { left, right: left + width, top: y - LINE + 3, bottom: y + 4 };
};
const apart = (a, b) => a.right < b.left || b.right < a.left || a.bottom < b.top || b.bottom < a.top;

/** Finds room for labels, the most needed first: one that would lie on another is left out, unless it must be there. */
function labels({ width, height }) {
  const taken = [];
  const isWhole = ({ box }) => box.left >= 1 && box.right <= width - 1 && box.top >= 1 && box.bottom <= height - 1;
  const fits = (box) => isWhole({ box }) && taken.every((one) => apart(one, box));
  return {
    block: (box) => taken.push(box),
    /** Beside a line, on the side that has room. */
    beside(text, a, b) {
      const far = Math.max(1e-9, Math.hypot(b.x - a.x, b.y - a.y));
      const [nx, ny] = [(b.y - a.y) / far, (a.x - b.x) / far];
      const wide = 12 + Math.abs(nx) * ((text.length * LARGE) / 2) + Math.abs(ny) * 4;
      const ways = [0.5, 0.35, 0.65].flatMap((share) =>
        [-1, 1].map((side) => ({
          x: a.x + (b.x - a.x) * share + side * nx * wide,
          y: a.y + (b.y - a.y) * share + side * ny * wide + 5,
        })),
      );
      const boxes = ways.map(({ x, y }) => ({ x, y, box: boxAt(x, y, text, "middle", LARGE) }));
      const found = boxes.find(({ box }) => fits(box)) ?? boxes[0];
      taken.push(found.box);
      return { x: found.x, y: found.y, anchor: "middle", text };
    },
    put(text, x, y, gap = 9, must = false) {
      const ways = [
        ...(gap === 0 ? [[x, y + 4, "middle"]] : []),
        [x + gap, y + 4, "start"],
        [x - gap, y + 4, "end"],
        [x, y - gap - 2, "middle"],
        [x, y + gap + 11, "middle"],
      ];
      const boxes = ways.map(([tx, ty, anchor]) => ({ x: tx, y: ty, anchor, box: boxAt(tx, ty, text, anchor) }));
      const found = boxes.find(({ box }) => fits(box)) ?? (must ? (boxes.find(isWhole) ?? boxes[0]) : undefined);
      if (!found) return undefined;
      taken.push(found.box);
      return { x: found.x, y: found.y, anchor: found.anchor, text };
    },
  };
}

const xy = ({ x, y }) => [Math.round(x * 10) / 10, Math.round(y * 10) / 10];

/** The track cut where the phase changes: [{phase, points: [[x, y], ...]}], each beginning where the last one ended. */
function legsOf(track, at) {
  const legs = [];
  for (const place of track) {
    const point = xy(at(place));
    const leg = legs.at(-1);
    if (leg?.phase === place.phase) {
      leg.points.push(point);
      continue;
    }
    legs.push({ phase: place.phase, points: leg ? [leg.points.at(-1), point] : [point] });
  }
  return legs;
}

function ringsOf(step, frame, { width, height }, away, room, unit) {
  const pad = frame.at({ east: 0, north: 0 });
  const corners = [
    [0, 0],
    [width, 0],
    [0, height],
    [width, height],
  ].map(([x, y]) => Math.hypot(x - pad.x, y - pad.y));
  const rings = [];
  // The distances are written where the walk does not lie, on one spoke where that has room.
  const spokes = [...DIRECTIONS].sort((a, b) => Math.cos(a - away) - Math.cos(b - away));
  for (let k = 1; k <= RINGS_AT_MOST && k * step * frame.scale < Math.max(...corners); k++) {
    const r = k * step * frame.scale;
    const text = unit.text(k * step);
    const label = spokes
      .map((turn) => [pad.x + r * Math.sin(turn), pad.y - r * Math.cos(turn)])
      .map(([x, y]) => (x > 4 && x < width - 4 && y > 14 && y < height - 4 ? room.put(text, x, y, 0) : undefined))
      .find(Boolean);
    rings.push({ ...pad, r, meters: k * step, label });
  }
  return rings;
}

function barOfScale(step, scale, { width, height }, unit) {
  let meters = step;
  while (meters * scale > width / 3 && meters > step / 16) meters /= 2;
  const length = meters * scale;
  return { x: 12, y: height - 12, length, text: unit.text(meters) };
}

/** The person's unit of length. */
const unitOf = () => ({ of_m: 1 / unitFactor("m"), text: distance });

/**
 * Everything there is to draw, in pixels of the box.
 * @param {PlanData} data @param {{width: number, height: number}} box
 * @param {{of_m: number, text: (meters: number) => string}} unit the person's unit of length: rings are round in it
 */
export function planShapes(data, box, unit = unitOf()) {
  const window = windowOf(data);
  const step = roundUp(window.step / unit.of_m) * unit.of_m;
  const frame = frameOf(window, box);
  const { at, scale } = frame;
  const room = labels(box);
  const walk = walkOf(data);
  const map = mapOf(data.map);
  const bar = barOfScale(step, scale, box, unit);
  room.block({ left: 0, right: bar.x + bar.length + 8, top: bar.y - 20, bottom: box.height });
  room.block({ left: 0, right: 30, top: 0, bottom: 44 });
  room.block({ left: box.width - 52, right: box.width, top: 0, bottom: 56 });
  const legs = legsOf(data.track, at);
  for (const [x, y] of legs.flatMap(({ points }) => points))
    room.block({ left: x - 2, right: x + 2, top: y - 2, bottom: y + 2 });
  const way = wayOf(walk, at, room, unit);
  const spot = (place, text, must = true) => {
    if (!place || !finite(place.east)) return null;
    const point = at(place);
    return { ...point, r: (place.radius ?? 0) * scale, label: room.put(text, point.x, point.y, 11, must) };
  };
  const best = data.best && data.best.basis !== "last" ? data.best : null;
  const lies = spot(best, best?.basis === "landed" ? "lies here" : "predicted");
  const last = spot(data.last, data.last?.text ?? "last heard", !lies);
  const other = spot(data.other, "the part lost");
  const person = data.person ? spot({ ...data.person, radius: data.person.accuracy }, "you") : null;
  const pad = { ...at({ east: 0, north: 0 }) };
  pad.label = room.put("pad", pad.x, pad.y, 9, !lies || Math.hypot(lies.x - pad.x, lies.y - pad.y) > 24);
  const area = ({ name = "", points }) => {
    const shape = points.map(([east, north]) => xy(at({ east, north })));
    return { name, points: shape, label: name ? areaLabel(shape, name, box, room) : undefined };
  };
  const keepOut = map.keep_out.map((one) => area({ ...one, name: one.name ? `keep out: ${one.name}` : "keep out" }));
  const landmarks = map.landmarks.map(({ name, ...place }) => {
    const point = at(place);
    return { ...point, label: isWithin(point, box) ? room.put(name, point.x, point.y) : undefined };
  });
  return {
    ...box,
    scale,
    rings: ringsOf(step, frame, box, walk?.bearing ?? Math.PI, room, unit),
    legs,
    doubt: finite(data.doubt) ? 2 * data.doubt * scale : 0,
    pad,
    last,
    lies: lies && { ...lies, basis: best.basis },
    other,
    person,
    walk: way,
    wind: windOf(data.wind, box),
    landmarks,
    keepOut,
    roads: map.roads.map(area),
    wires: map.wires.map(area),
    boundary: map.boundary ? map.boundary.map(([east, north]) => xy(at({ east, north }))) : null,
    bar,
    north: { x: 14, y: 12 },
  };
}

const isWithin = ({ x, y }, { width, height }) => x >= 0 && y >= 0 && x <= width && y <= height;

function areaLabel(shape, text, box, room) {
  const seen = shape.map(([x, y]) => [Math.min(box.width, Math.max(0, x)), Math.min(box.height, Math.max(0, y))]);
  const middle = (i) => (Math.min(...seen.map((p) => p[i])) + Math.max(...seen.map((p) => p[i]))) / 2;
  return room.put(text, middle(0), middle(1), 0);
}

/** The walking line: none where something forbids it, and none where one stands there already. */
function wayOf(walk, at, room, unit) {
  if (!walk || walk.bar || walk.distance < AT_PLACE_M) return null;
  const [a, b] = [at(walk.from), at(walk.to)];
  const text = `${unit.text(walk.distance)} ${bearing(walk.bearing).degrees}\u00b0`;
  return { x1: a.x, y1: a.y, x2: b.x, y2: b.y, label: room.beside(text, a, b) };
}

/** An arrow the way the wind blows, in the corner; without a direction none. */
function windOf(wind, { width }) {
  if (!wind || !finite(wind.toward) || !finite(wind.speed)) return null;
  const [x, y, half] = [width - 26, 24, 15];
  const [east, north] = [Math.sin(wind.toward), Math.cos(wind.toward)];
  return {
    x1: x - half * east,
    y1: y + half * north,
    x2: x + half * east,
    y2: y - half * north,
    label: { x: width - 6, y: 54, anchor: "end", text: speedText(wind.speed) },
  };
}
