// What was foretold at the pad, as the recording keeps it, against what was then flown. Pure.

import { fixed, lengthText, speedText } from "../../kit/format.js";

const DEG = 180 / Math.PI;
const finite = Number.isFinite;

// [key of what was foretold, title, figure, its number, how one is told]
const PAIRS = [
  ["apogee_m", "Apogee", "apogee", "height_m", (m) => lengthText(m)],
  ["rail_exit_speed_m_s", "Speed at the rail\u2019s end", "rail_exit", "speed_m_s", (v) => speedText(v)],
  ["lean_rad", "Greatest lean", "lean", "greatest_tilt_rad", (rad) => `${fixed(rad * DEG, 0)}\u00b0`],
];

/** Does a place lie in a band of the station's answer (m, degrees)? */
export function isInBand({ east, north }, { near_m: near, far_m: far, from_deg: from, over_deg: over }) {
  const away = Math.hypot(east, north);
  const turn = (Math.atan2(east, north) * DEG - from + 720) % 360;
  return away >= near && away <= far && turn <= over;
}

/**
 * @param {object} foretold the note's body @param {(name: string) => object|undefined} figure of what was flown
 * @returns {{title: string, foretold: string, flown: string, held: boolean}[]} only what both tell
 */
export function heldAgainst(foretold, figure) {
  const rows = PAIRS.map(([key, title, name, number, text]) => {
    const span = foretold?.numbers?.[key];
    const flown = figure(name)?.[number];
    if (!span || !finite(flown)) return null;
    const held = flown >= span.low && flown <= span.high;
    return { title, foretold: `${text(span.low)} to ${text(span.high)}`, flown: text(flown), held };
  });
  const band = foretold?.cases?.find((one) => one.case === "nominal")?.band;
  const { landing_east_m: east, landing_north_m: north, whereabouts_basis: basis } = figure("recovery") ?? {};
  if (band && basis === "landed" && finite(east) && finite(north))
    rows.push({
      title: "Landing",
      foretold: `${lengthText(band.near_m)} to ${lengthText(band.far_m)} from the pad`,
      flown: lengthText(Math.hypot(east, north)),
      held: isInBand({ east, north }, band),
    });
  return rows.filter(Boolean);
}
