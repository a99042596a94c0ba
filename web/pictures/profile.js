// The side view: height against distance from the pad in the upright plane through pad and top, nose and all; where no
// position is told, height against time. Meters and seconds in, pixels of a box of a given size out. Pure.

import { bearing, distance, lengthNumber, lengthText } from "../kit/format.js";
import { shownUnit, unitFactor } from "../kit/units.js";
import { spread } from "./spread.js";

const finite = Number.isFinite;
const STEPS_M = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000];
const STEPS_S = [1, 2, 5, 10, 20, 60, 120, 300, 600];
export const EDGE = { left: 44, right: 12, top: 16, bottom: 24 };
const LEAST_TOP_M = 20;
const LEAST_WIDE_M = 16;
const LABEL_PX = 17;
const LETTER_PX = 7.4; // width of a letter of a label, roughly
const LABEL_DROP_PX = 5; // from a label's middle to its letters' feet
const NOSE_PX = 9;
const AIR = 1.07; // over the greatest height
const BAND_POINTS = 16;
const LABELS_AT = 14;

/**
 * @typedef {{t: number, along: number, up: number, claim?: number}} Point s from lift-off, m from the pad toward the
 *   plane's bearing, m above it by the ground's estimate, and m as the vehicle claims
 * @typedef {object} Flight
 * @property {Point[]} points up to the cursor, the last one where it is now
 * @property {boolean} hasPlace false: `along` is nothing, and time stands in its place
 * @property {number} [toward] the plane's bearing, rad from north over east
 * @property {{t: number, along: number, up: number, lean: number}[]} noses lean: rad from the vertical in the plane
 * @property {{length: number}} [rail] @property {number} [gate] m @property {number} [expected] m, of the sheet
 * @property {{t: number, along: number, up: number, rise: number, drift: number, low: number, high: number,
 *   in_s: number}} [foretold] the first prediction of the top: where it was then, its speeds, and the top's 95 %
 *   interval
 * @property {{low: number, high: number}} [predicted] the newest one, while the top has not come
 * @property {{key: string, text: string, t: number, along: number, up: number}[]} marks what has happened
 * @property {number} [reach] s, the time a picture against time spans at least
 * @property {"up"|"down"|"level"|"rest"} moving
 */

/**
 * What was foretold, as a band of height at each distance: two edges of [{along, up}]. Ends are the station's own: the
 * height and the speeds it had, and the top's interval. Between them heights follow the cubic that leaves with the
 * climb rate and arrives level. Sideways one edge keeps its speed (without drag it would), the other loses at a steady
 * rate the share that drag takes of the climb.
 */
export function foretoldBand({ t, along, up, rise, drift, low, high, in_s: left }) {
  const kept = Math.min(1, Math.max(0, (9.80665 * left) / rise));
  const edge = (top, slowing) =>
    Array.from({ length: BAND_POINTS + 1 }, (_, i) => {
      const u = i / BAND_POINTS;
      const height = up + rise * left * (u ** 3 - 2 * u ** 2 + u) + (top - up) * (3 * u ** 2 - 2 * u ** 3);
      const sideways = drift * left * (slowing ? u - ((1 - kept) * u ** 2) / 2 : u);
      return { t: t + left * u, along: along + sideways, up: height };
    });
  return [edge(high, true), edge(low, false)];
}

/** The step of a scale on which about `parts` lines stand. */
const stepOf = (steps, span, parts) => steps.find((step) => span / step <= parts) ?? steps[steps.length - 1];

function heightsOf({ points, gate, expected, predicted, foretold, marks }) {
  const known = [gate, expected, predicted?.high, foretold?.high, ...marks.map(({ up }) => up)].filter(finite);
  return Math.max(LEAST_TOP_M, ...known, ...points.map(({ up }) => up).filter(finite)) * AIR;
}

/** Pixel places of meters, of one scale for both directions: an angle in the picture is the angle flown. */
function placesInSpace(flight, { width, height }, top) {
  const bands = flight.foretold ? foretoldBand(flight.foretold).flat() : [];
  const alongs = [0, ...[...flight.points, ...flight.marks, ...bands].map(({ along }) => along).filter(finite)];
  const low = Math.min(-LEAST_WIDE_M / 2, ...alongs);
  const high = Math.max(LEAST_WIDE_M / 2, ...alongs);
  const wide = width - EDGE.left - EDGE.right;
  const tall = height - EDGE.top - EDGE.bottom;
  const scale = Math.min(wide / ((high - low) * AIR), tall / top);
  const middle = EDGE.left + wide / 2;
  return {
    scale,
    top: tall / scale,
    range: [(low + high) / 2 - wide / 2 / scale, (low + high) / 2 + wide / 2 / scale],
    x: ({ along }) => middle + (along - (low + high) / 2) * scale,
    y: (up) => height - EDGE.bottom - up * scale,
    steps: STEPS_M,
    unit: "m",
  };
}

function placesInTime(flight, { width, height }, top) {
  const last = flight.points.length ? flight.points[flight.points.length - 1].t : 0;
  const span = Math.max(10, flight.reach ?? 0, last) * AIR;
  const wide = width - EDGE.left - EDGE.right;
  const tall = height - EDGE.top - EDGE.bottom;
  return {
    scale: tall / top,
    top,
    range: [0, span],
    x: ({ t }) => EDGE.left + (t / span) * wide,
    y: (up) => height - EDGE.bottom - (up / top) * tall,
    steps: STEPS_S,
    unit: "s",
  };
}

const number = (value) => String(Math.round(value * 10) / 10);
const lineOf = (list) => list.map(([x, y], i) => `${i ? "L" : "M"}${number(x)} ${number(y)}`).join(" ");

/**
 * Everything to draw: lines as path texts, texts with their places. @param {Flight} flight
 * @param {{width: number, height: number}} box
 */
export function profileShapes(flight, box) {
  const at = (flight.hasPlace ? placesInSpace : placesInTime)(flight, box, heightsOf(flight));
  const place = (point) => [at.x(point), at.y(point.up)];
  const shown = flight.points.filter(({ up }) => finite(up));
  const now = shown[shown.length - 1];
  const marks = marksOf(flight.marks, at, box);
  return {
    ...scalesOf(at, box),
    scale: at.scale,
    path: lineOf(shown.map(place)),
    claim: lineOf(shown.filter(({ claim }) => finite(claim)).map((point) => [at.x(point), at.y(point.claim)])),
    noses: flight.hasPlace ? noseLines(flight.noses, at) : "",
    band: bandOf(flight, at),
    predicted: predictedOf(flight, at, now),
    rail:
      flight.rail && flight.hasPlace
        ? lineOf([
            [at.x({ along: 0 }), at.y(0)],
            [at.x({ along: 0 }), at.y(flight.rail.length)],
          ])
        : "",
    lines: levelLines(flight, at, box, marks),
    marks,
    now: now && { x: at.x(now), y: at.y(now.up), moving: flight.moving },
  };
}

function bandOf({ foretold }, at) {
  if (!foretold) return "";
  const [high, low] = foretoldBand(foretold);
  return `${lineOf([...high, ...low.reverse()].map((point) => [at.x(point), at.y(point.up)]))} Z`;
}

/** The newest interval of the top, an upright bar beside the vehicle. */
function predictedOf({ predicted }, at, now) {
  if (!predicted || !now) return null;
  const x = at.x(now) + 14;
  return { x, low: at.y(predicted.low), high: at.y(predicted.high) };
}

function noseLines(noses, at) {
  return noses
    .map(({ along, up, lean }) => {
      const [x, y] = [at.x({ along }), at.y(up)];
      return lineOf([
        [x, y],
        [x + NOSE_PX * Math.sin(lean), y - NOSE_PX * Math.cos(lean)],
      ]);
    })
    .join(" ");
}

function scalesOf(at, { width, height }) {
  const perMeter = unitFactor("m");
  const step = stepOf(STEPS_M, at.top * perMeter, 7);
  const heights = [];
  for (let up = 0; up <= at.top * perMeter; up += step) heights.push({ y: at.y(up / perMeter), text: String(up) });
  const per = unitFactor(at.unit);
  const [from, to] = at.range.map((one) => one * per);
  const across = stepOf(at.steps, to - from, Math.max(2, (width - EDGE.left - EDGE.right) / 64));
  const distances = [];
  for (let one = Math.ceil(from / across) * across; one <= to; one += across) {
    const x = at.x({ along: one / per, t: one });
    distances.push({ x, text: `${Math.abs(one)} ${shownUnit(at.unit)}`, isPad: one === 0 });
  }
  return {
    heights,
    distances,
    unit: at.unit,
    heightUnit: shownUnit("m"),
    ground: at.y(0),
    left: EDGE.left,
    right: width - EDGE.right,
    height,
  };
}

/** The stretch of a picture's width that a text takes. */
const stretch = (x, anchor, text) => {
  const long = text.length * LETTER_PX;
  return anchor === "end" ? [x - long, x] : [x, x + long];
};

/**
 * Heights that this flight is measured by, each with its words: above or below its line, left or right, where no mark
 * and none of its words stands; where there is no such place the line stands without them.
 */
function levelLines({ gate, expected }, at, { width }, marks) {
  const lines = [
    { key: "gate", up: gate, text: "control gate" },
    { key: "expected", up: expected, text: "expected top" },
  ].filter(({ up }) => finite(up) && up <= at.top);
  const [x1, x2] = [EDGE.left, width - EDGE.right];
  const taken = marks.map(({ x, labelX, labelY, anchor, text }) => {
    const [from, to] = stretch(labelX, anchor, text);
    return { from: Math.min(from, x - NOSE_PX), to: Math.max(to, x + NOSE_PX), y: labelY + LABEL_DROP_PX };
  });
  return lines.map((one) => {
    const [y, words] = [at.y(one.up), `${one.text} ${lengthText(one.up)}`];
    const places = ["start", "end"].flatMap((anchor) =>
      [y - 4, y + LABEL_DROP_PX + 8].map((textY) => ({ anchor, textX: anchor === "end" ? x2 - 3 : x1 + 3, textY })),
    );
    const free = places.find(({ anchor, textX, textY }) => {
      const [from, to] = stretch(textX, anchor, words);
      return taken.every((box) => Math.abs(box.y - textY) >= LABEL_PX - 2 || to <= box.from || from >= box.to);
    });
    return { ...one, y, x1, x2, ...(free ?? places[0]), text: free ? words : "" };
  });
}

/** Marks with their words beside them: on the side that has room, none on another. */
function marksOf(marks, at, { width, height }) {
  const placed = marks
    .filter(({ up, along, t }) => finite(up) && (at.unit === "s" ? finite(t) : finite(along)))
    .map((one) => ({ ...one, x: at.x(one), y: at.y(one.up) }))
    .sort((a, b) => a.y - b.y);
  const sides = { end: [], start: [] };
  for (const mark of placed) {
    const long = mark.text.length * LETTER_PX + LABELS_AT;
    const isRight = mark.x + long < width - 2;
    sides[isRight ? "start" : "end"].push({ ...mark, anchor: isRight ? "start" : "end" });
  }
  return Object.values(sides).flatMap((list) => {
    const wanted = list.map(({ y }) => y);
    const rows = spread(wanted, LABEL_PX, EDGE.top, height - EDGE.bottom - 8);
    return list.map((mark, i) => ({
      ...mark,
      labelX: mark.x + (mark.anchor === "start" ? LABELS_AT : -LABELS_AT),
      labelY: rows[i],
    }));
  });
}

/** The same as a sentence or two. @param {Flight} flight */
export function profileWords(flight) {
  const shown = flight.points.filter(({ up }) => finite(up));
  const now = shown[shown.length - 1];
  if (!now) return "Side view. No height yet.";
  const toward = now.along < 0 ? "the other way" : `toward ${bearing(flight.toward).degrees} degrees`;
  const away = flight.hasPlace && finite(now.along) ? `, ${distance(Math.abs(now.along))} ${toward}` : "";
  const moves = { up: "climbing", down: "sinking", rest: "at rest", level: "level" }[flight.moving];
  const happened = flight.marks.map(({ text }) => text).join(", ");
  const top = flight.predicted
    ? ` The top is foretold between ${lengthNumber(flight.predicted.low)} and ${lengthText(flight.predicted.high)}.`
    : "";
  return `Side view. Now ${lengthText(now.up)} up${away}, ${moves}.${top}${happened ? ` So far: ${happened}.` : ""}`;
}

/** What a marker looks like that goes up, goes down, hangs level or lies: a path around (0, 0). */
export const MARKERS = {
  up: "M0 -13 L10 8 L0 3 L-10 8 Z",
  down: "M0 13 L10 -8 L0 -3 L-10 -8 Z",
  level: "M-10 -5 H10 V5 H-10 Z",
  rest: "M-12 0 H12 V-5 H-12 Z",
};

const LEVEL_M_S = 0.5;

/**
 * Which way the vehicle moves: by its climb rate where that is known, else by what has happened.
 * @param {{landed: boolean, flying: boolean, pastTop: boolean, climb?: number}} known climb in m/s, none in silence
 */
export function movingOf({ landed, flying, pastTop, climb }) {
  if (landed || !flying) return "rest";
  if (finite(climb)) return Math.abs(climb) < LEVEL_M_S ? "level" : climb > 0 ? "up" : "down";
  return pastTop ? "down" : "up";
}
