// A rehearsal drawn: what the computer told of each component over what was true, the difference below, and the phases
// of both on one line of time. Seconds since the rehearsal began and SI in, pixels and what is read out. Pure.

import { fixed, NOTHING, sentence, unitText } from "../kit/format.js";
import { shownUnit, unitFactor } from "../kit/units.js";
import { roundValues } from "./compare.js";
import { timeTicks } from "./strip_shapes.js";

const DEG = 180 / Math.PI;
const TURNS = { rad: "deg", "rad/s": "deg/s" };
export const CURVE_BOX = { width: 340, height: 210, left: 46, right: 8, top: 8, middle: 112, below: 128, base: 188 };
const known = Number.isFinite;

/** What a component's unit is read in: {unit, per: how many of it one of SI is}; angles in degrees, as elsewhere. */
export const readIn = (unit) =>
  TURNS[unit] ? { unit: unitText(TURNS[unit]), per: DEG } : { unit: shownUnit(unit), per: unitFactor(unit) };

/** "position.east" as "East, position"; the attitude says what its curves are. */
export function curveTitle(role) {
  const [what, axis] = role.split(".");
  if (what === "attitude") return "Tilt; below, turn from the truth";
  if (what === "body_rate") return `Body rate ${axis}`;
  return sentence(axis === "up" && what === "position" ? "height" : `${what} ${axis}`);
}

const number = (value) => fixed(value, Math.abs(value) < 10 ? 2 : 1);

const amountOf = (value, unit) => (unit === "\u00b0" ? number(value) + unit : `${number(value)} ${unit}`);

/** The difference in numbers: "rms 1.60, worst 2.84 m at 13.96 s"; what is no number says since when. */
export function apartWords({ unit, rms, worst, worst_s }) {
  const read = readIn(unit);
  if (!known(rms) || !known(worst)) return `not a number, first at ${fixed(worst_s, 2)} s`;
  return `rms ${number(rms * read.per)}, worst ${amountOf(worst * read.per, read.unit)} at ${fixed(worst_s, 2)} s`;
}

function scale(values, [high, low]) {
  const told = values.filter(known);
  const from = Math.min(0, ...told);
  const to = Math.max(0, ...told);
  const span = to - from || 1;
  return { from, to: from + span, y: (value) => low - ((value - from) / span) * (low - high) };
}

function pathOf(t, values, x, y) {
  let pen = "M";
  let path = "";
  values.forEach((value, i) => {
    if (!known(value)) {
      pen = "M";
      return;
    }
    path += `${pen}${x(t[i]).toFixed(1)} ${y(value).toFixed(1)}`;
    pen = "L";
  });
  return path;
}

const gridOf = ({ from, to, y }, count) => {
  const values = roundValues(from, to, count);
  const step = values.length > 1 ? Math.abs(values[1] - values[0]) : 1;
  const digits = Math.max(0, Math.min(3, -Math.floor(Math.log10(step) + 1e-9)));
  return values.map((value) => ({ y: y(value), text: fixed(value, digits) }));
};

/**
 * One component: paths of `told` and `truth` above, of `apart` below, the worst marked, grid and ticks.
 * @param {object} curve see server/rehearsal/track_file.py @param {[number, number]} range s
 * @param {number|null} bad_s of the first bad frame
 */
export function curveShape(curve, [from, to], bad_s) {
  const { width, left, right, top, middle, below, base } = CURVE_BOX;
  const { per } = readIn(curve.unit);
  const read = (values) => values.map((value) => (known(value) ? value * per : null));
  const [told, truth, apart] = [read(curve.told), read(curve.truth), read(curve.apart)];
  const x = (t) => left + ((t - from) / (to - from || 1)) * (width - left - right);
  const above = scale(limited(told, truth), [top, middle]);
  const under = scale(apart, [below, base]);
  const worst = curve.t_s.indexOf(curve.worst_s);
  const inside = known(bad_s) && bad_s >= from && bad_s <= to;
  return {
    told: pathOf(curve.t_s, told, x, above.y),
    truth: pathOf(curve.t_s, truth, x, above.y),
    apart: pathOf(curve.t_s, apart, x, under.y),
    worst: worst >= 0 && known(apart[worst]) ? { x: x(curve.worst_s), y: under.y(apart[worst]) } : null,
    bad: inside ? x(bad_s) : null,
    zero: under.y(0),
    above: gridOf(above, 3),
    below: gridOf(under, 4),
    ticks: roundValues(from, to, 5).map((t) => ({ x: Math.max(left + 8, Math.min(width - 14, x(t))), text: `${t} s` })),
  };
}

/** A value gone wild would flatten both: what is told sets the scale up to thrice the extent of the truth. */
function limited(told, truth) {
  const values = truth.filter(known);
  if (!values.length) return told;
  const [low, high] = [Math.min(0, ...values), Math.max(0, ...values)];
  const room = 2 * (high - low || 1);
  return [
    ...values,
    ...told.map((value) => (known(value) ? Math.max(low - room, Math.min(high + room, value)) : null)),
  ];
}

/** A component as a sentence. */
export function curveWords(curve) {
  const range = `from ${fixed(curve.t_s[0], 1)} to ${fixed(curve.t_s.at(-1), 1)} s`;
  return `${curveTitle(curve.role)}: computer over truth, ${range}; difference ${apartWords(curve)}`;
}

const LETTER_PX = 8;

/** Bands of one side: [{name, x1, x2, text, odd}]; the last goes on to the end of the run. */
function bandsOf(phases, end_s, x) {
  return phases.map(([name, from], i) => {
    const x1 = x(from);
    const x2 = Math.max(x1 + 1, x(phases[i + 1]?.[1] ?? end_s));
    return { name, x1, x2, odd: i % 2 === 1, text: x2 - x1 > name.length * LETTER_PX + 6 ? name : "" };
  });
}

/** Phases of both, deployments, the first bad frame and times without power over the whole run, `width` px wide. */
export function phasePicture(track, width) {
  const end_s = Math.max(track.duration_s, 1e-3);
  const x = (t) => (Math.max(0, Math.min(end_s, t)) / end_s) * width;
  const place = (t) => (known(t) ? x(t) : null);
  const [ordered, own] = track.deployment_s;
  return {
    computer: bandsOf(track.phases, end_s, x),
    truth: bandsOf(track.true_phases, end_s, x),
    ordered: place(ordered),
    own: place(own),
    bad: place(track.first_bad_s),
    outages: track.outages_s.map(([from, until]) => ({ x1: x(from), x2: x(until) })),
    ticks: timeTicks(0, end_s, width),
  };
}

/** When each phase began, in the order of the truth: [{name, computer, truth}] in s; undefined where it did not. */
export function phaseRows({ phases, true_phases: truth }) {
  const first = (list, name) => list.find(([one]) => one === name)?.[1];
  const names = [...new Set([...truth, ...phases].map(([name]) => name))];
  const order = names.map((name) => ({ name, computer: first(phases, name), truth: first(truth, name) }));
  return order.filter(({ name }) => name !== "startup" && name !== "pad");
}

/** How much later one time is than another: "+0.06 s". */
export const apartOf = (a, b) => (known(a) && known(b) ? `${a > b ? "+" : ""}${fixed(a - b, 2)} s` : NOTHING);

function lateness(ours, theirs) {
  if (known(ours)) return known(theirs) ? apartOf(ours, theirs) : "only by it";
  return known(theirs) ? "never" : "by neither";
}

/** How much later the computer went from phase to phase than the vehicle, and ordered recovery than the twin's own. */
export function phaseDifferences(track) {
  const late = phaseRows(track).map(({ name, computer, truth }) => `${name} ${lateness(computer, truth)}`);
  const lateBy = late.join(", ") || "no phase came";
  const recovery = lateness(...track.deployment_s);
  return `Computer after truth: ${lateBy}; recovery ordered \u25bc after the twin\u2019s own \u25b3: ${recovery}.`;
}

/** Phases and deployment as a sentence. */
export function phaseWords(track) {
  const at = (t) => (known(t) ? `${fixed(t, 2)} s` : "never");
  const rows = phaseRows(track).map(({ name, computer, truth }) => `${name} ${at(computer)}, in truth ${at(truth)}`);
  const [ordered, own] = track.deployment_s;
  const bad = known(track.first_bad_s) ? `; first bad frame at ${at(track.first_bad_s)}` : "";
  const recovery = `recovery ordered ${at(ordered)}, by the twin's own ${at(own)}`;
  return `Phases by the computer: ${rows.join("; ")}; ${recovery}${bad}`;
}
