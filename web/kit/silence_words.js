// How silence is said: what was heard last with its age, what is not known, and what safe all can still do. Pure.

import { age, valueWithUnit } from "./format.js";

/** "pad, 12 s ago"; of what was never heard "never heard". */
export const wasAgo = (words, seconds) => (Number.isFinite(seconds) ? `${words}, ${age(seconds)} ago` : "never heard");

/** "heard 12 s ago" */
export const heardAgo = (seconds) => (Number.isFinite(seconds) ? `heard ${age(seconds)} ago` : "never heard");

/** "unknown, met 12 s ago" */
export const unknownWas = (words, seconds) =>
  Number.isFinite(seconds) ? `unknown, ${words} ${age(seconds)} ago` : "unknown, never heard";

/** "unknown; 7.42 V, 12 s ago" */
export const unknownValue = (words, seconds) => `unknown; ${wasAgo(words, seconds)}`;

/** A sample as people read it: the value while it is heard, then "unknown; 7.42 V, 12 s ago". */
export function sampleWords({ column, value, stale, age: seconds }) {
  const words = valueWithUnit(column, value);
  return stale && value !== undefined ? unknownValue(words, seconds) : words;
}

/** "not known for 12 s: the station is silent" @param {import("../session/hearing.js").Silence} silence */
export function notKnown({ who, for_s }) {
  return Number.isFinite(for_s)
    ? `not known for ${age(for_s)}: the ${who} is silent`
    : `not known: the ${who} is not heard`;
}

const BY_HAND = "On the ground keep clear and make it safe by hand (safing key out, power off)";
const OFFICER = "as the range safety officer decides.";

/** What is left to do when the station is gone. */
export const STATION_GONE = `The station does not answer: nothing can be sent from here. ${BY_HAND}, ${OFFICER}`;

/**
 * What safe all can still do in a silence: `note` for the button, `sentence` to read. @param {import(
 * "../session/hearing.js").Silence} silence @param {string} blind how often it is sent, as the station says
 */
export function safeAllInSilence({ who }, blind) {
  if (who === "station") return { note: "nothing can be sent", sentence: STATION_GONE };
  const sent = `The vehicle is silent: safe all is sent blind, ${blind || "once"}, and nothing confirms it.`;
  return { note: "sent blind, nothing confirms it", sentence: `${sent} ${BY_HAND}, ${OFFICER}` };
}
