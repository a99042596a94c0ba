// Two curves that tables told badly: swing frequency against speed, and the radio's level against distance. Pure.

import { distance, speedNumber, speedText } from "../kit/format.js";
import { unitFactor } from "../kit/units.js";
import { roundValues } from "./compare.js";

const EDGE = { left: 46, right: 12, top: 12, bottom: 30 };
const known = Number.isFinite;

function frame([width, height], [x0, x1], [y0, y1]) {
  const x = (value) => EDGE.left + ((value - x0) / (x1 - x0)) * (width - EDGE.left - EDGE.right);
  const y = (value) => height - EDGE.bottom - ((value - y0) / (y1 - y0)) * (height - EDGE.top - EDGE.bottom);
  return { x, y };
}
const line = (points) => points.map(([x, y], i) => `${i ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`).join("");

/**
 * @param {{speed_m_s: number, liftoff_hz: number, burnout_hz: number}[]} frequencies by the sheet
 * @param {{from?: number, to?: number, measured?: {speed_m_s: number, hz: number}}} flown speeds of this flight, m/s
 */
export function swingShapes(frequencies, flown, box) {
  if (!frequencies?.length) return null;
  const fastest = Math.max(...frequencies.map((one) => one.speed_m_s));
  const most = Math.max(...frequencies.map((one) => Math.max(one.liftoff_hz, one.burnout_hz)), flown.measured?.hz ?? 0);
  const { x, y } = frame(box, [0, fastest], [0, most * 1.05]);
  const curve = (key) => line([[x(0), y(0)], ...frequencies.map((one) => [x(one.speed_m_s), y(one[key])])]);
  const per = unitFactor("m/s");
  const shaded = known(flown.from) && known(flown.to) && flown.to > flown.from;
  return {
    liftoff: curve("liftoff_hz"),
    burnout: curve("burnout_hz"),
    flown: shaded ? { x: x(flown.from), width: x(Math.min(flown.to, fastest)) - x(flown.from) } : null,
    measured: flown.measured ? { x: x(flown.measured.speed_m_s), y: y(flown.measured.hz) } : null,
    xs: roundValues(0, fastest * per, 5).map((value) => ({ value, x: x(value / per) })),
    ys: roundValues(0, most, 4).map((value) => ({ value, y: y(value) })),
  };
}

export function swingWords(frequencies, flown) {
  if (!frequencies?.length) return "No swing can be foretold.";
  const last = frequencies[frequencies.length - 1];
  const range =
    known(flown.from) && known(flown.to) ? ` Flown: ${speedNumber(flown.from, 0)} to ${speedText(flown.to, 0)}.` : "";
  const seen = flown.measured
    ? ` Measured: ${flown.measured.hz.toFixed(2)} Hz at ${speedText(flown.measured.speed_m_s, 0)}.`
    : "";
  const most = `${last.liftoff_hz.toFixed(2)} Hz at lift-off mass and ${last.burnout_hz.toFixed(2)} Hz burned out`;
  return `Swing to expect grows with speed, to ${most} at ${speedText(last.speed_m_s, 0)}.${range}${seen}`;
}

const FREE_SPACE = 2;

/**
 * The radio's level over the logarithm of distance: solid as far as it flew, dashed to where it would be lost.
 * @param {object|undefined} link the figure: level_1_m_dbm, exponent, greatest_distance_m, range_m, margin_db
 */
export function levelShapes(link, box) {
  const { level_1_m_dbm: level, greatest_distance_m: flown, range_m: reach, margin_db: margin } = link ?? {};
  if (!known(level) || !known(flown) || !(flown > 1)) return null;
  const exponent = link.exponent ?? FREE_SPACE;
  const at = (far) => level - 10 * exponent * Math.log10(far);
  const end = Math.max(known(reach) ? reach : flown, flown * 2);
  const floor = known(margin) ? at(flown) - margin : at(end);
  const { x, y } = frame(box, [0, Math.log10(end * 1.5)], [Math.min(floor, at(end)) - 5, level + 5]);
  const place = (far) => [x(Math.log10(far)), y(at(far))];
  const farthest = Math.log10(end * 1.5 * unitFactor("m"));
  const decades = Array.from({ length: Math.floor(farthest) + 1 }, (_, i) => 10 ** i).filter(
    (value) => value >= unitFactor("m"),
  );
  return {
    flown: line([place(1), place(flown)]),
    beyond: line([place(flown), place(end)]),
    margin: known(margin) ? { x: place(flown)[0], from: place(flown)[1], to: y(floor), db: margin } : null,
    floor: known(margin) ? y(floor) : null,
    reach: known(reach) ? { x: place(reach)[0], y: place(reach)[1] } : null,
    xs: decades.map((value) => ({ value, x: x(Math.log10(value / unitFactor("m"))) })),
    ys: roundValues(Math.min(floor, at(end)), level, 4).map((value) => ({ value, y: y(value) })),
  };
}

export function levelWords(link) {
  if (!known(link?.level_1_m_dbm) || !known(link?.greatest_distance_m)) return "The radio's level was not measured.";
  const left = known(link.margin_db) ? `; ${link.margin_db.toFixed(0)} dB were left there` : "";
  const reach = known(link.range_m) ? `, and it would be lost at about ${distance(link.range_m)}` : "";
  return `Level against distance: flown to ${distance(link.greatest_distance_m)}${left}${reach}.`;
}
