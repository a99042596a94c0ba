// The numbers that decide in flight, as words: what each reads now, and what stands under it. Pure.

import {
  duration,
  fixed,
  lengthNumber,
  lengthText,
  NOTHING,
  notFinite,
  sentence,
  speedNumber,
} from "../../kit/format.js";
import { heardAgo, wasAgo } from "../../kit/silence_words.js";
import { inUnit, shownUnit } from "../../kit/units.js";
import { channelState, isSet } from "../../session/channel_state.js";
import { phasesDiffer } from "../../session/phases.js";
import { family } from "../../session/roles.js";

const finite = Number.isFinite;
const WHOLE_FROM = 100;
const MINUTES_FROM = 100;
const DIFFERS_M = 1;

/** @typedef {{text: string, unit?: string, note?: string, tone?: string, value?: number}} Told */

/** The phase as the ground sees it. @returns {Told} */
export function phaseNow(view) {
  const ground = view.state("phase", "ground")?.body?.phase;
  const vehicle = view.word("vehicle_phase") ?? view.state("phase", "vehicle")?.body?.phase;
  const phase = ground ?? vehicle;
  if (!phase) return { text: NOTHING };
  const hasLanded = phase === "landed" && Boolean(view.moment("landing"));
  if (view.silence && !hasLanded) return { text: "Unknown", note: wasAgo(phase, view.silence.for_s), tone: "stale" };
  if (view.silence) return { text: "Landed", note: heardAgo(view.silence.for_s) };
  const differs = ground && vehicle && phasesDiffer(ground, vehicle);
  return { text: sentence(phase), note: differs ? `vehicle says ${vehicle}` : "", tone: differs ? "caution" : "none" };
}

/** Time from lift-off; before it nothing is counted. @returns {Told} */
export function timeNow(view) {
  const lifted = view.moment("lift_off");
  if (!lifted) return { text: `T ${NOTHING}`, note: "not lifted off" };
  const past = view.cursor.t - lifted.t;
  const isStopped = view.cursor.live && finite(view.silence?.for_s);
  const text = past < MINUTES_FROM ? `T+${fixed(Math.max(0, past), 1)}` : `T+${duration(past)}`;
  return { text, note: isStopped ? "when last heard" : "", tone: isStopped ? "stale" : "none" };
}

const brief = (value) => fixed(value, Math.abs(value) >= WHOLE_FROM ? 0 : 1);
const briefHeight = (meters) => brief(inUnit("m", meters));

function numberNow(view, roles, digits) {
  const able = roles.filter((one) => view.has(one));
  const role = able.find((one) => view.tells(one));
  if (!role) return able.length > 0 ? { text: NOTHING, note: `needs ${view.lacks(able[0])}` } : undefined;
  const { value, stale, age } = view.sample(role);
  const number = digits(value);
  if (stale && value !== undefined) return { text: NOTHING, note: wasAgo(number, age), tone: "stale" };
  const isBad = typeof value === "number" && !finite(value);
  if (isBad) return { text: NOTHING, note: notFinite(value), tone: "warning" };
  return { text: number, value: finite(value) ? value : undefined, tone: "none" };
}

/** Height above the pad; where the vehicle claims another one, by how much. @returns {Told|undefined} */
export function heightNow(view) {
  const told = numberNow(view, ["ground.height", "position.up", "altitude_baro"], briefHeight);
  if (!told || told.note) return told && { ...told, unit: shownUnit("m") };
  const claim = view.tells("ground.height") ? view.sample("position.up") : undefined;
  const less = claim && !claim.stale && finite(claim.value) ? claim.value - told.value : 0;
  const differs = Math.abs(less) >= DIFFERS_M;
  const note = differs ? `vehicle says ${lengthText(Math.abs(less))} ${less < 0 ? "less" : "more"}` : "";
  return { ...told, unit: shownUnit("m"), note };
}

/** Climb rate with its sign. @returns {Told|undefined} */
export function climbNow(view) {
  const signed = (m_s) => (m_s > 0 && speedNumber(m_s) !== "0.0" ? "+" : "") + brief(inUnit("m/s", m_s));
  const told = numberNow(view, ["ground.climb_rate", "velocity.up"], signed);
  return told && { ...told, unit: shownUnit("m/s") };
}

/** The top: reached, or foretold with its doubt, or why it is not. @returns {Told} */
export function topNow(view) {
  const top = view.moment("apogee");
  if (top) {
    const when = `at T+${fixed(top.t - view.zero, 1)} s`;
    if (!finite(top.height_m)) return { text: "reached", note: when };
    return { text: lengthNumber(top.height_m), unit: shownUnit("m"), note: `reached ${when}`, value: top.height_m };
  }
  const told = view.tells("ground.predicted_apogee") ? view.sample("ground.predicted_apogee") : undefined;
  const reason = view.inFlight ? view.state("prediction", "apogee")?.body?.reason : "";
  if (told?.stale && finite(told.value))
    return { text: NOTHING, note: wasAgo(`${lengthText(told.value)} foretold`, told.age), tone: "stale" };
  if (told && finite(told.value) && view.inFlight)
    return { text: `~${lengthNumber(told.value)}`, unit: shownUnit("m"), note: intervalWords(view), foretold: true };
  if (view.inFlight) return { text: NOTHING, note: reason ? `not foretold: ${reason}` : "not reached" };
  const { expected_apogee_m: expected } = view.store.dictionary.sheet ?? {};
  return { text: NOTHING, note: finite(expected) ? `sheet expects ${lengthText(expected)}` : "not flown yet" };
}

function intervalWords(view) {
  const [low, high, left] = ["low", "high", "in"].map((part) => view.value(`ground.predicted_apogee_${part}`));
  if (![low, high].every(finite)) return "";
  return `${lengthNumber(low)} to ${lengthText(high)}${finite(left) ? `, in ${fixed(Math.max(0, left), 1)} s` : ""}`;
}

/**
 * Each recovery channel: its name, a word, and the state that its shape shows. That it fired is a fact and stays one.
 * @returns {{name: string, state: string, word: string, note: string, tone: string}[]}
 */
export function chutesNow(view) {
  return family(view.store.roles, "recovery")
    .filter((name) => ["armed", "fired", "continuity"].some((part) => view.has(`recovery[${name}].${part}`)))
    .map((name) => chuteNow(view, name));
}

function chuteNow(view, name) {
  const [continuity, armed, fired] = ["continuity", "armed", "fired"].map((part) =>
    view.sample(`recovery[${name}].${part}`),
  );
  const label = (continuity ?? armed ?? fired).column.label || name;
  const { state } = channelState({ continuity, armed, fired });
  const { age } = fired ?? armed ?? continuity;
  // That it fired is a fact; one that still is armed or conducts, or is not heard, may have another charge in it.
  if (isSet(fired) && finite(fired.value) && (state === "unknown" || fired.stale)) {
    const note = state === "unknown" ? `${heardAgo(age)}; treat as armed` : heardAgo(age);
    return { name: label, state: "fired", word: "fired", note, tone: "stale" };
  }
  if (state === "unknown") return { name: label, state, word: "unknown", note: "treat as armed", tone: "stale" };
  const inAir = view.inFlight;
  const tone = state === "open" && !inAir ? "caution" : state === "armed" && !inAir ? "warning" : "none";
  const word = { armed: "armed", fired: "fired", open: "open", continuous: "not armed", inhibited: "not armed" }[state];
  return { name: label, state, word, note: "", tone };
}
