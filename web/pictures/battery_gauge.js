// The battery as minutes: how long the pad can still be waited on as things are, and what each camera takes of it. The
// whole bar is the time without any camera. Pure: from currents to numbers of a drawing.

const S_PER_MIN = 60;
const WIDTH = 320;
const HEIGHT = 22;

/**
 * @typedef {{name: string, minutes: number, x: number, width: number}} Slice what one camera costs, right of what is
 * left
 * @typedef {{width: number, height: number, full_min: number, left_min: number, left_width: number, slices: Slice[],
 *   wanted_x: number|null, is_short: boolean}} Gauge
 */

/**
 * @param {number|undefined} chargeC charge that may still be used on the pad, coulombs
 * @param {number|undefined} totalA the current drawn now, amperes
 * @param {{name: string, current: number|undefined}[]} cameras measured currents, in order
 * @param {number|undefined} wantedMin minutes that the vehicle must be able to wait
 * @returns {Gauge|null} null where charge or current are not known
 */
export function batteryGauge(chargeC, totalA, cameras, wantedMin) {
  if (!Number.isFinite(chargeC) || !(totalA > 0)) return null;
  const drawing = cameras.filter(({ current }) => current > 0);
  const drawn = drawing.reduce((sum, { current }) => sum + current, 0);
  const rest = totalA - drawn;
  const charge = Math.max(0, chargeC);
  const left = charge / totalA / S_PER_MIN;
  // Where the cameras are said to draw all there is, the time without them is not known: the bar is what is left.
  const full = rest > 0 ? charge / rest / S_PER_MIN : left;
  const scale = full > 0 ? WIDTH / full : 0;
  const cost = full - left;
  let x = left * scale;
  const slices = drawing.map(({ name, current }) => {
    const minutes = (cost * current) / drawn; // what they cost together, by what each draws
    const slice = { name, minutes, x, width: minutes * scale };
    x += slice.width;
    return slice;
  });
  const wanted = wantedMin > 0 && wantedMin <= full ? wantedMin * scale : null;
  return {
    width: WIDTH,
    height: HEIGHT,
    full_min: full,
    left_min: left,
    left_width: left * scale,
    slices: cost > 0 ? slices : [],
    wanted_x: wanted,
    is_short: wantedMin > 0 && left < wantedMin,
  };
}

/** The same in words, for who does not see it. @param {Gauge|null} gauge @param {number|undefined} wantedMin */
export function gaugeWords(gauge, wantedMin) {
  if (!gauge) return "Battery minutes are not known.";
  const whole = (minutes) => `${Math.round(minutes)} min`;
  const costs = gauge.slices.map(({ name, minutes }) => `camera ${name} costs ${whole(minutes)}`).join(", ");
  const without = gauge.slices.length
    ? ` ${whole(gauge.full_min)} with the cameras off: ${costs}.`
    : " Cameras are off.";
  const wanted =
    wantedMin > 0 ? ` ${gauge.is_short ? "Less than" : "Enough for"} the ${whole(wantedMin)} asked for.` : "";
  return `${whole(gauge.left_min)} left on the pad as things are.${without}${wanted}`;
}
