// What is called out of a session, as a pure function of its journal: one entry, one call or none. A call is a sentence
// of our own, the number first where there is one. Never called: that something is safe, clear, disarmed or a go; a
// state older than a second; a prediction as a fact.

import { sentence } from "../kit/format.js";
import { inUnit } from "../kit/units.js";
import { barOf } from "../pictures/plan_way.js";

/**
 * How long (s) after its entry a call may still begin: a state is old after a second, what has happened may be told a
 * little later. Common practice, no source.
 */
const STATE_S = 1;
const FACT_S = 4;
const SECOND_S = 0.5; // of a count: later it would name another second than the one that is

/**
 * @typedef {{key: string, rx: number, words: string, tone: string, rank: number, lives_s: number, urgent: boolean,
 *   repeats?: boolean}}
 *   Call
 */

/** Which of several waiting calls goes first. */
export const RANK = { urgent: 3, alarm: 2, moment: 1, progress: 0 };

const round = (value) => Math.round(value);
const digits = (degrees) =>
  String(round(degrees + 360) % 360)
    .padStart(3, "0")
    .split("")
    .join(" ");
const finite = Number.isFinite;

/** Does something that the site's sheet declares forbid the way from the pad? Nobody is sent into a keep-out. */
function isBarred(far, degrees, map) {
  const turn = (degrees * Math.PI) / 180;
  return barOf({ east: 0, north: 0 }, { east: far * Math.sin(turn), north: far * Math.cos(turn) }, map) !== null;
}

/** Plain words for alarms whose own text is more than an ear takes. */
const ALARM_WORDS = {
  nonfinite: "bad numbers from the vehicle",
  phase: "vehicle and ground differ on the phase",
  guard: "the vehicle's guard has acted",
  dictionary: "another dictionary than the vehicle's",
  "downlink lag": "what arrives is late",
  "flight reserve": "battery below the flight reserve",
};

const alarmWords = ({ key, text }) => ALARM_WORDS[key] ?? text.split(/[:;,(]/)[0];

const clock = (seconds) => {
  const whole = Math.ceil(Math.max(0, seconds) - 1e-6);
  if (whole <= 60) return String(whole);
  const minutes = Math.floor(whole / 60);
  return [minutes === 1 ? "1 minute" : `${minutes} minutes`, whole % 60 || ""].join(" ").trim();
};

/** What is said when the count changes, by what changed it. */
const COUNT_WORDS = {
  set: (left) => `count set to ${left}`,
  start: (left) => `count runs from ${left}`,
  hold: (left) => `hold, the count stands at ${left}`,
  "hold point": (left) => `hold point, the count stands at ${left}`,
  resume: (left) => `count runs on from ${left}`,
  recycle: (left) => `count back to ${left}, and held`,
  zero: () => "zero",
  "the vehicle restarted": () => "count unknown, the vehicle restarted",
  "the station was restarted": (left) => `count held at ${left}, the station was restarted`,
};

const once = (say, tone) => ({ lives_s: FACT_S, rank: RANK.moment, tone, say });

/**
 * One row for each kind of entry that is called: {lives_s, rank, tone, say}. `say(body, measure)` gives the words or
 * nothing; `measure` writes lengths and speeds as the person reads them.
 */
const CALLS = {
  "moment/lift_off": once(() => "lift-off", "rise"),
  "figure/rail_exit": once(({ speed_m_s: v }, m) => finite(v) && `${m.speed(v)} off the rail`, "tick"),
  "moment/burnout": once(
    ({ height_m: z }, m) => (finite(z) ? `${m.length(z)} up, thrust is over` : "thrust is over"),
    "level",
  ),
  "moment/ignition": once(() => "another motor burns", "rise"),
  "moment/control_enabled": once(({ on }) => (on ? "control is on" : "control is off"), "tick"),
  "moment/apogee": once(({ height_m: z, withdrawn }, m) => {
    if (withdrawn) return "that was not the top, it climbs on";
    return finite(z) ? `top, ${m.length(z)}` : "top";
  }, "top"),
  "moment/deployment": once(({ on }) => on && "parachute commanded", "open"),
  "moment/separation": once(({ on }) => on && "separated", "open"),
  "moment/landing": once(() => "it has landed", "land"),
  "figure/recovery": once(
    ({ whereabouts_basis: basis, whereabouts_distance_m: d, whereabouts_bearing_deg: b }, m, map) => {
      if (basis !== "landed" || !finite(d) || !finite(b)) return undefined;
      const place = `${m.length(d)}, ${digits(b)}`;
      return isBarred(d, b, map) ? `it lies ${place}, not straight, ask the range officer` : `walk ${place}`;
    },
    "land",
  ),
  "link/port": {
    lives_s: STATE_S,
    rank: RANK.progress,
    tone: "tick",
    say: ({ state }) => state === "up" && "the vehicle is heard", // that it is lost is an alarm
  },
  "count/state": {
    lives_s: STATE_S,
    rank: RANK.alarm,
    tone: "tick",
    repeats: true,
    say: ({ event, remaining_s: left, state }) =>
      state === "unknown" ? "count unknown" : finite(left) && COUNT_WORDS[event]?.(clock(left)),
  },
  "count/second": {
    lives_s: SECOND_S,
    rank: RANK.moment,
    tone: "tick",
    repeats: true,
    say: ({ seconds: left }) => finite(left) && (left > 10 ? `${left} seconds` : String(left)),
  },
  "progress/leaning": {
    lives_s: STATE_S,
    rank: RANK.progress,
    tone: "lean",
    say: ({ tilt_rad: tilt }) => finite(tilt) && `leaning ${round((tilt * 180) / Math.PI)}`,
  },
  "progress/sinking": {
    lives_s: STATE_S,
    rank: RANK.progress,
    tone: "tick",
    say: ({ height_m: z, climb_m_s: v }, m) => finite(z) && finite(v) && `${m.length(z)} up, sinking ${m.speed(-v)}`,
  },
};

const URGENT = {
  lives_s: FACT_S,
  rank: RANK.urgent,
  tone: "heads-up",
  say: ({ height_m: z }, m) => `heads up! It falls unbraked${finite(z) ? `, ${m.length(z)} up` : ""}`,
};
const WARNING = { lives_s: FACT_S, rank: RANK.alarm, tone: "warning" };
const CAUTION = { lives_s: FACT_S, rank: RANK.alarm, tone: "caution" };

/** The alarm that nothing silences. */
export const HEADS_UP = "unbraked";

/** Meters and meters per second as whole numbers: what is called where nobody chose. */
export const METRIC = { length: (m) => String(round(m)), speed: (v) => String(round(v)) };

/** Whole numbers in the units that the person reads. */
export const AS_READ = {
  length: (m) => String(round(inUnit("m", m))),
  speed: (v) => String(round(inUnit("m/s", v))),
};

/**
 * @param {import("../session/journal.js").Entry} entry @param {typeof METRIC} measure @param {object} [map] of the site
 * @returns {Call|null}
 */
export function callOf(entry, measure = METRIC, map = undefined) {
  const { topic, key, rx, body, text } = entry;
  if (topic === "alarm") return alarmCall(entry, measure);
  const name = `${topic}/${key.replace(/_\d+$/, "")}`; // the second burnout is one
  const row = CALLS[name];
  if (!row) return null;
  if (topic === "moment" && (!text || body.finer)) return null; // the same, known better
  const words = row.say(body, measure, map);
  if (!words) return null;
  return {
    key: name,
    rx,
    words,
    tone: row.tone,
    rank: row.rank,
    lives_s: row.lives_s,
    urgent: false,
    repeats: row.repeats,
  };
}

function alarmCall({ key, rx, severity, text, body }, measure) {
  if (body.state !== "raised" || severity === "info") return null;
  const urgent = key === HEADS_UP;
  const row = urgent ? URGENT : severity === "warning" ? WARNING : CAUTION;
  const words = urgent ? row.say(body, measure) : `${severity}: ${alarmWords({ key, text })}`;
  return { key: `alarm/${key}`, rx, words, tone: row.tone, rank: row.rank, lives_s: row.lives_s, urgent };
}

/** Calls of a whole journal, a line each: seconds from `zero`, words, tone, how long after what they tell they come. */
export function callLines(entries, zero = 0, measure = METRIC) {
  const line = (entry, call) => {
    const late =
      entry.topic === "moment" && finite(entry.body.t) ? `, ${(entry.t - entry.body.t).toFixed(1)} s after` : "";
    return `${(entry.t - zero).toFixed(1)} ${sentence(call.words)} [${call.tone}]${late}`;
  };
  return entries.flatMap((entry) => {
    const call = callOf(entry, measure);
    return call ? [line(entry, call)] : [];
  });
}
