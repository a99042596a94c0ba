// The flight in numbers, as the station judged them part by part: each with its doubt, or the reason why there is none.

import { landingText, plusMinus, stagesText } from "../../kit/descent_words.js";
import { h, setHidden, setText, syncList, watcher } from "../../kit/dom.js";
import {
  bearing,
  bearingText,
  COULOMB_PER_MAH,
  distance,
  duration,
  fixed,
  lengthText,
  speedText,
  tClock,
  withSigns,
} from "../../kit/format.js";

const DEG = 180 / Math.PI;
const known = Number.isFinite;
const NO_CLIMB = "no longer climbs";

/** Figures at the cursor by key. */
export function figuresOf(view, whole = false) {
  const figures = Object.fromEntries(
    (whole ? view.finalStates("figure") : view.states("figure")).map((entry) => [entry.key, entry.body]),
  );
  const prediction = neverPredicted(view.store.journal.past("prediction", "apogee", whole ? Infinity : view.rxLimit));
  return prediction ? { ...figures, prediction } : figures;
}

// What stood against a predicted apogee longest to the end, where there never was one; the last of it is only the top.
function neverPredicted(told) {
  const reasons = told.map(({ body }) => body.reason);
  if (reasons.length === 0 || reasons.includes("")) return undefined;
  return { reason: reasons.filter((reason) => reason !== NO_CLIMB).pop() ?? NO_CLIMB };
}

/** Rows [title, text] of everything judged so far. */
export function figureRows(figures, zero) {
  return ROWS.map(({ key, title, text }) => {
    const body = figures[key];
    if (!body) return undefined;
    const words = body.reason ? `not measured: ${withSigns(body.reason)}` : text(body, zero);
    return words ? [title, words] : undefined;
  }).filter(Boolean);
}

/** For the review at home: everything judged of the session, wherever the cursor stands. */
export const WholeFigures = (el) => FiguresPanel(el, true);

function FiguresPanel(el, whole) {
  const body = h("tbody");
  const table = h("table", { class: "grid -figures", testid: "figures" }, body);
  const none = h("p", {
    class: "absent",
    text: "Nothing judged yet. Parts of the flight are judged as soon as they are over.",
  });
  el.append(table, none);
  const moved = watcher();
  return {
    update(view) {
      const all = whole && Boolean(view.page.replay);
      if (all && !moved(view.store, view.store.version)) return;
      const rows = figureRows(figuresOf(view, all), view.store.journal.state("moment", "lift_off")?.body?.t);
      setHidden(none, rows.length > 0);
      setHidden(table, rows.length === 0);
      syncList(
        body,
        rows,
        ([title]) => title,
        ([title]) => h("tr", {}, h("th", { scope: "row", text: title }), h("td")),
        (node, [, text]) => setText(node.lastChild, text),
      );
    },
  };
}

function interval(low, high, digits) {
  return known(low) && known(high) ? ` (95 % ${fixed(low, digits)} to ${fixed(high, digits)})` : "";
}

function at(t, zero) {
  return known(t) && known(zero) ? `, ${tClock(t - zero)}` : "";
}

const SOURCES = [
  ["barometer", "barometer"],
  ["filter", "ground's filter"],
  ["vehicle", "vehicle"],
  ["vehicle_barometer", "vehicle's barometer"],
  ["gnss", "GNSS receiver"],
];

const ROWS = [
  {
    key: "greatest_speed",
    title: "Greatest speed",
    text: (f, zero) => `${plusMinus(f.speed_m_s, f.sigma_m_s, 0, "m/s")} by the ${f.source}${at(f.t, zero)}`,
  },
  {
    key: "rail_exit",
    title: "Rail exit",
    text: (f, zero) => `${plusMinus(f.speed_m_s, f.sigma_m_s, 1, "m/s")}${at(f.t, zero)}`,
  },
  {
    key: "rail_exit",
    title: "Angle of attack there",
    text: (f) => {
      if (!known(f.angle_of_attack_rad)) return "no wind in the site sheet";
      const wind = f.wind_source ? `the wind ${withSigns(f.wind_source)}` : `${speedText(f.wind_m_s)} of wind`;
      return `${fixed(f.angle_of_attack_rad * DEG, 0)}\u00b0 with ${wind}`;
    },
  },
  {
    key: "lean",
    title: "Greatest lean while it should fly straight",
    text: (f, zero) => {
      const toward = known(f.azimuth_rad) ? ` toward ${bearingText(f.azimuth_rad)}` : "";
      return `${fixed(f.greatest_tilt_rad * DEG, 0)}\u00b0${toward}${at(f.t, zero)}`;
    },
  },
  {
    key: "swing",
    title: "Swing after the rail",
    text: (f) => {
      if (!f.excited) return "not excited";
      const period = `${fixed(f.period_s, 2)} s at ${speedText(f.speed_m_s, 0)}`;
      const doubt = interval(f.period_low_s, f.period_high_s, 2);
      return `period ${period}${doubt}, damping ratio ${fixed(f.damping_ratio, 2)}`;
    },
  },
  {
    key: "swing",
    title: "Swing the sheet lets expect",
    text: (f) => {
      if (!known(f.expected_period_s)) return undefined;
      const ratio = `; measured over expected ${fixed(f.ratio, 2)}${interval(f.ratio_low, f.ratio_high, 2)}`;
      return `period ${fixed(f.expected_period_s, 2)} s${f.excited ? ratio : ""}`;
    },
  },
  {
    key: "cone",
    title: "Corkscrew",
    text: (f, zero) => {
      const sense = f.turns_per_s > 0 ? "counterclockwise" : "clockwise";
      const turns = `${fixed(Math.abs(f.turns_per_s), 1)} turns/s ${sense} from above`;
      return `half-angle ${fixed(f.half_angle_rad * DEG, 0)}\u00b0, ${turns}${at(f.t, zero)}`;
    },
  },
  { key: "prediction", title: "Predicted apogee", text: () => undefined },
  {
    key: "apogee",
    title: "Apogee by source",
    text: (f) =>
      SOURCES.filter(([key]) => known(f[`${key}_m`]))
        .map(([key, name]) => `${name} ${lengthText(f[`${key}_m`], 1)}`)
        .join(", "),
  },
  {
    key: "drag",
    title: "Drag in the coast",
    text: (f) =>
      known(f.coefficient)
        ? `coefficient ${plusMinus(f.coefficient, (f.coefficient * f.sigma_1_m) / f.kappa_1_m, 2, "")}`
        : `deceleration per speed squared ${fixed(f.kappa_1_m * 1000, 2)} per km`,
  },
  { key: "gate", title: "Control gate", text: (f, zero) => gateText(f, zero) },
  {
    key: "roll",
    title: "Roll authority",
    text: (f) =>
      f.verdict === "not excited" || !known(f.authority_per_pa_rad)
        ? `${f.verdict}: ${withSigns(f.reason_text)}`
        : `${f.verdict}: ${fixed(f.authority_per_pa_rad, 2)} rad/s\u00b2 per Pa and rad${interval(f.low, f.high, 2)}`,
  },
  {
    key: "recovery",
    title: "Deployment",
    text: (f) =>
      known(f.deployment_delay_s)
        ? `${fixed(Math.abs(f.deployment_delay_s), 2)} s ${f.deployment_delay_s < 0 ? "before" : "after"} apogee`
        : undefined,
  },
  {
    key: "servo_cable",
    title: "Servo connector",
    text: (f, zero) =>
      (f.sentence && withSigns(f.sentence)) ??
      `open ${f.kind}${known(f.height_m) ? `, at ${lengthText(f.height_m)}` : ""}${at(f.t, zero)}: ${f.cause}`,
  },
  {
    key: "descent",
    title: "Descent",
    text: (f) => {
      const words = stagesText(f) ?? (known(f.rate_m_s) ? plusMinus(f.rate_m_s, f.sigma_m_s, 1, "m/s") : undefined);
      return words && `${words}${UNDER[f.under] ?? ""}`;
    },
  },
  { key: "descent", title: "Speed at landing", text: landingText },
  {
    key: "recovery",
    title: "Wind by drift under the parachute",
    text: (f) =>
      known(f.drift_m_s) ? `${speedText(f.drift_m_s)} toward ${bearing(f.drift_toward_rad).degrees}\u00b0` : undefined,
  },
  {
    key: "recovery",
    title: "Landing spot",
    text: (f) => {
      if (!known(f.landing_distance_m)) return undefined;
      const away = `${distance(f.landing_distance_m)} from the pad, bearing ${bearingText(f.landing_bearing_rad)}`;
      return `${away}, within ${distance(f.landing_radius_m)} (95 %)`;
    },
  },
  {
    key: "recovery",
    title: "Where the part lost fell",
    text: (f) => {
      if (!known(f.other_distance_m)) return undefined;
      const away = `${distance(f.other_distance_m)} from the pad, bearing ${bearingText(f.other_bearing_rad)}`;
      return `${away}, within ${distance(f.other_radius_m)} (95 %)`;
    },
  },
  { key: "battery", title: "Battery", text: (f) => batteryText(f) },
  {
    key: "link",
    title: "Link in flight",
    text: (f) => {
      const silence = known(f.longest_silence_s) ? `, longest silence ${fixed(f.longest_silence_s, 1)} s` : "";
      return `${fixed(f.flight_loss * 100, 1)} % lost${silence}`;
    },
  },
  {
    key: "link",
    title: "Range left",
    text: (f) => {
      if (!known(f.range_m)) return undefined;
      const doubt = `(95 % ${distance(f.range_low_m)} to ${distance(f.range_high_m)})`;
      return `reaches ${distance(f.range_m)} with its fading ${doubt}, ${distance(f.range_left_m)} beyond this flight`;
    },
  },
];

export const UNDER = {
  both: ", under both parachutes",
  one: ", as under one parachute only",
  none: ", as under no parachute",
};

function gateText(f, zero) {
  const parts = [];
  if (known(f.altitude_met_t)) parts.push(`height met ${tClock(f.altitude_met_t - (zero ?? 0))}`);
  if (known(f.speed_met_t)) parts.push(`speed met ${tClock(f.speed_met_t - (zero ?? 0))}`);
  if (known(f.enabled_s)) parts.push(`enabled ${fixed(f.enabled_s, 2)} s before deployment`);
  if (known(f.fins_until_t)) parts.push(`without fins from ${tClock(f.fins_until_t - (zero ?? 0))}`);
  return [f.verdict, ...parts].filter(Boolean).join("; ");
}

function batteryText(f) {
  const parts = [];
  if (known(f.used_c)) parts.push(`${fixed(f.used_c / COULOMB_PER_MAH, 0)} mAh used`);
  if (known(f.minutes_cameras_off))
    parts.push(`${duration(f.minutes_cameras_off * 60)} left on the pad with cameras off`);
  if (known(f.resistance_ohm)) parts.push(`sags ${fixed(f.resistance_ohm, 2)} V per A`);
  return parts.join(", ");
}
